"""The player's process: ``python -m sequencer.player.child``, a job on standard input, JSON lines back.

It owns nothing but one relay and one train, so that nothing can make it late: no other thread's
interpreter lock, no long call into C, no garbage collection, no page on disk. It imports the standard
library, plain values and its one relay driver.

It outlives its parent: it heeds no hang-up, finds nobody to answer, and keeps the log all the same.
SIGINT, SIGTERM and their like end the train: relay to rest, log kept. Against SIGKILL and loss of power
nothing can be done here: ``docs/relays.md`` says where the contact then stands.

Exit status: 0 finished, 2 bad job, 3 hardware failed, 130 broken off.
"""

from __future__ import annotations

import gc
import json
import os
import sys
import threading
import time
from contextlib import suppress
from pathlib import Path
from typing import TYPE_CHECKING

from sequencer.errors import InputError, LampstepError
from sequencer.player import kept
from sequencer.player.job import Job, PlayResult, check, job_from_json, result_to_json
from sequencer.player.loop import edges_beyond, play_edges
from sequencer.player.realtime import THREAD_STACK, MonotonicClock, ask_for_real_time, block_signals
from sequencer.relay import open_relay

if TYPE_CHECKING:
    from collections.abc import Mapping

EXIT_STATUS: Mapping[str, int] = {"finished": 0, "overdue": 1, "failed": 3, "broken off": 130}


def main() -> int:
    """Play the job on standard input; see the module."""
    gc.disable()  # a train's few objects make no garbage worth a pause
    block_signals()
    try:
        job = _read_job()
        result = _play(job)
    except LampstepError as error:
        _say({"error": str(error), "exit_status": error.exit_status})
        return error.exit_status
    _say({"result": result_to_json(result)})
    return EXIT_STATUS[result.log.outcome]


def _read_job() -> Job:
    try:
        given = json.loads(sys.stdin.buffer.read())
    except ValueError as error:
        raise InputError(f"player: this is no job ({error})") from error
    job = job_from_json(given)
    check(job)
    return job


def _play(job: Job) -> PlayResult:
    left = "" if job.keep is None else kept.lock(Path(job.keep))[1]
    threading.stack_size(THREAD_STACK)
    started_s = time.monotonic()

    def tell(zero: float) -> None:
        nonlocal started_s
        started_s = zero
        _say({"started_s": zero})

    with open_relay(job.relay) as relay:
        notes = (*relay.notes, left) if left else relay.notes
        if job.priority is not None:
            notes += ask_for_real_time(job.priority)
        log = play_edges(
            job.train.edges(),
            job.delays,
            relay,
            MonotonicClock(),
            until_s=job.train.lead_in_s + job.train.total_s,
            tolerance_s=job.tolerance_s,
            on_start=tell,
        )
    started_unix_s = time.time() - time.monotonic() + started_s
    result = PlayResult(log, started_s, started_unix_s, edges_beyond(log, job.tolerance_s), notes)
    if job.keep is None:
        return result
    try:
        kept.write_kept(Path(job.keep), kept.KeptLog(job, result))
    except OSError as error:
        lost = f"the log could not be kept in {job.keep} ({error.strerror})"
        return PlayResult(log, started_s, started_unix_s, result.beyond, (*notes, lost))
    return result


def _say(line: Mapping[str, object]) -> None:
    """One line to the parent, if there still is one. Past Python's buffers, which complain at exit."""
    left = json.dumps(line).encode() + b"\n"
    with suppress(OSError):
        while left:
            left = left[os.write(1, left) :]


if __name__ == "__main__":
    sys.exit(main())
