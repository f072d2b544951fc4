"""A process that writes a journal as fast as it can, and says after each entry that it is on the disk.

``python writing.py PATH ENTRIES``: intents and outcomes of one relay cycle in turn, numbered.
"""

from __future__ import annotations

import sys
from pathlib import Path

from sequencer.journal.journal import open_journal


def main() -> None:
    now = 1_795_626_000.0
    journal = open_journal(Path(sys.argv[1]), now_unix=lambda: now, now=lambda: now, boot="boot", limit_mb=16)
    written = journal.cycles_total("lap-pool")
    print("open", journal.trouble, *journal.notes, flush=True)
    for number in range(int(sys.argv[2])):
        journal.write("intent", "lap-pool", {"scene": "evening", "number": written + number})
        journal.write("outcome", "lap-pool", {"scene": "evening", "number": written + number, "cycles": 1})
        print(written + number + 1, flush=True)


if __name__ == "__main__":
    main()
