"""How groups differ: clutches, hatch, laying."""
