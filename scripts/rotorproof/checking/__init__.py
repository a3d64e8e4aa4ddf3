"""Is a log what it seems? Cheap looks at the readings before anything is fitted."""
