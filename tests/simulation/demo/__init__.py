"""The invented workshop of the demo: its instruments, its units with their planted faults, and the truth behind them.

Nothing here was measured and no such workshop exists. ``python -m tests.simulation.demo`` writes ``raw/`` anew.
"""
