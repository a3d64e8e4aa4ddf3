"""Errors put into the formulae on purpose, to see whether the outside checks find them."""
