"""Rotorproof: from raw bench logs to an acceptance report for an electric hub motor or its controller."""

__version__ = "0.1.0"
