"""How long a test waits for another process: until it is surely hung, however busy the machine is."""

from __future__ import annotations

#: In s. Nothing that a test starts takes more than minutes, even beside ten others on one core.
HUNG = 4 * 3600.0
