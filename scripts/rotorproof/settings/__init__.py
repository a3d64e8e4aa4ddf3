"""The typed model of everything a person writes: units, limits, layouts and run settings."""
