"""What a bird passes on: pedigree, published parameters, the mixed model, the ranking."""
