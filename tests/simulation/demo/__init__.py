"""The invented workshop of the demo: its instruments, its units with their planted faults, and the truth behind them.

Nothing here was measured and no such workshop exists. ``python -m tests.simulation.demo`` writes ``raw/`` anew.
"""

from pathlib import Path

_ROOT = Path(__file__).parents[3]
#: Where the invented units lie: in ``raw/``, or where ``make demo`` has put them.
RAW = next((raw for raw in (_ROOT / "raw", _ROOT / "demo" / "raw") if (raw / "AL-M1").is_dir()), _ROOT / "raw")
