"""All tests, mirroring the rooms; a package so that no other `tests` on the path is taken for it."""
