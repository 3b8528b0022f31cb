"""What processes have used: seconds of CPU and memory, of each and of those below it."""

from __future__ import annotations

import os
from pathlib import Path

from tests.instances import children

_TICK_S = 1 / os.sysconf("SC_CLK_TCK")


def family(pid: int) -> list[int]:
    """A process and all below it."""
    return [pid, *(below for child in children(pid) for below in family(child))]


def cpu_seconds(pids: list[int]) -> float:
    """Seconds of CPU that processes have used, with those they waited for."""
    ticks = 0
    for pid in pids:
        fields = Path(f"/proc/{pid}/stat").read_text().rpartition(")")[2].split()
        ticks += sum(int(field) for field in fields[11:15])
    return ticks * _TICK_S


def memory_mb(pids: list[int]) -> float:
    """Proportional set size: what is shared is counted once among those who share it."""
    return sum(_pss_kb(pid) for pid in pids) / 1024


def _pss_kb(pid: int) -> int:
    for line in Path(f"/proc/{pid}/smaps_rollup").read_text().splitlines():
        if line.startswith("Pss:"):
            return int(line.split()[1])
    return 0


def resident_mb(pid: int) -> float:
    """Resident set size of one process."""
    return int(Path(f"/proc/{pid}/statm").read_text().split()[1]) * os.sysconf("SC_PAGE_SIZE") / 1024**2
