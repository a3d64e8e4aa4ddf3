"""Reading raw logs: any file and layout in, canonical columns in SI out, every refused cell named."""
