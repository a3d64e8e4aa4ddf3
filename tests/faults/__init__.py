"""Faults of the computer while a report is made or signed: disk full, no rights, killed, two at once, clocks, logs.

After each the same command is run again without the fault, and must give the bytes of an undisturbed run. Run as
``python -m tests.faults``; ``docs/robustness.md`` holds the last figures.
"""
