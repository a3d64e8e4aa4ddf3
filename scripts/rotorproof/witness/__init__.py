"""A second witness: do nameplate, physics and tests of a unit agree, and if not, which single slip explains it."""
