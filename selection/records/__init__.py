"""What was seen: forms, their checks, the ledger, rings, and the flock read from them."""
