"""From a value with its uncertainty and a limit to a decision (JCGM 106). No files, no plotting."""
