"""Inputs of every format, key and stage, spoiled by the thousand."""
