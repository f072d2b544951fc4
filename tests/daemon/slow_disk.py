"""A disk that takes its time: ``fsync`` and ``fdatasync`` of a process and its children sleep before they return.

A library of a dozen lines is compiled and put before the C library's (``LD_PRELOAD``, ld.so(8)), so that SQLite's
calls are slowed as well as Python's.
"""

from __future__ import annotations

import shutil
import subprocess
from pathlib import Path

SOURCE = """
#include <stdio.h>
#include <stdlib.h>
#include <time.h>
#include <unistd.h>
#include <sys/syscall.h>
static void wait_here(void) {
    double s = 0;
    const char *path = getenv("SLOW_DISK");
    FILE *file = path ? fopen(path, "r") : NULL;
    if (!file) return;
    if (fscanf(file, "%lf", &s) != 1) s = 0;
    fclose(file);
    struct timespec left = {(time_t)s, (long)((s - (time_t)s) * 1e9)};
    while (nanosleep(&left, &left)) {}
}
int fsync(int fd) { wait_here(); return syscall(SYS_fsync, fd); }
int fdatasync(int fd) { wait_here(); return syscall(SYS_fdatasync, fd); }
"""


class SlowDisk:
    """One for a daemon and its players; ``environ`` is what they need. Without a compiler it is never slow."""

    def __init__(self, folder: Path) -> None:
        self._told = folder / "slow"
        self.takes(0.0)
        self.environ: dict[str, str] = {}
        if compiler := shutil.which("cc"):
            source, library = folder / "slow.c", folder / "slow.so"
            source.write_text(SOURCE)
            subprocess.run([compiler, "-shared", "-fPIC", "-o", library, source], check=True, timeout=60)
            self.environ = {"LD_PRELOAD": str(library), "SLOW_DISK": str(self._told)}

    def takes(self, seconds: float) -> None:
        """From now on each sync takes so long."""
        new = self._told.with_suffix(".new")
        new.write_text(f"{seconds:.6f}\n")
        new.replace(self._told)
