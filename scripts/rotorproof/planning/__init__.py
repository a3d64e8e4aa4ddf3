"""Before the bench: what to set, what to expect, and whether the instruments can decide at all."""
