"""Measurement uncertainty after JCGM 100: influences, linear forms, coverage. No files, no plotting."""
