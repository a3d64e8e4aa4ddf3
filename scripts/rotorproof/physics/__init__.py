"""Pure functions on arrays in SI: no files, no workflow, no plotting. NumPy above, SciPy where it is called."""
