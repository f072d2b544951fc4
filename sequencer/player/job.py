"""What the player is given and what it answers, as values and as JSON.

The job goes to the child's standard input. The child answers on its standard output in lines of JSON:
``{"started_s": ...}`` before the first edge, and at the end ``{"result": ...}``; or ``{"error": ...,
"exit_status": ...}`` for a train that never started. Job and result together are the log that is kept.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Any, NamedTuple

from sequencer.errors import InputError
from sequencer.relay.protocol import rests_closed
from sequencer.train import Delays, EdgeLog, Limits, Pulse, Stamp, Train

if TYPE_CHECKING:
    from collections.abc import Mapping

PRIORITY = 60
"""``SCHED_FIFO`` priority asked for: above the 50 of a real-time kernel's interrupt threads."""


class Job(NamedTuple):
    """A train, the relay that is to play it, and the bounds of its proof.

    ``relay`` is the relay's table of the site file; ``tolerance_s`` is how far from due each edge may be
    commanded, one number an edge (none: edges are not checked); ``priority`` None asks for no real time;
    ``keep`` is the absolute name of the file that gets the log, None for no such file; ``limits`` are the
    site's or the rig's.
    """

    train: Train
    delays: Delays
    relay: Mapping[str, object]
    tolerance_s: tuple[float, ...] = ()
    priority: int | None = PRIORITY
    keep: str | None = None
    limits: Limits = Limits()


class PlayResult(NamedTuple):
    """How a train went. ``beyond`` counts edges from 1; ``notes`` are sentences for the user."""

    log: EdgeLog
    started_s: float
    """The train's zero on the machine's monotonic clock; it means nothing after a restart."""
    started_unix_s: float
    """The same moment by the wall clock, for what the monotonic clock cannot tell."""
    beyond: tuple[int, ...] = ()
    notes: tuple[str, ...] = ()


def check(job: Job) -> None:
    """See that a job makes sense as a whole, and that its train may be sent.

    Every train of every command comes through here on its way to a relay, so that the flash limit and the limit
    of darkness hold whoever made it.

    :raises InputError: the bounds are not one an edge, the train would start in the dark, or it breaks a limit.
    """
    edges = 2 * len(job.train.pulses)
    if refusal := job.limits.refusal(job.train.pulses):
        raise InputError(f"player: this train is not sent: {refusal}")
    if job.tolerance_s and len(job.tolerance_s) != edges:
        raise InputError(f"player: {len(job.tolerance_s)} bounds for {edges} edges; give one an edge")
    if edges and job.train.lead_in_s == 0 and not rests_closed(job.relay):
        raise InputError(
            "player: the contact is normally open, so the lamps are dark before the train; "
            "it needs a lead-in (plan it from dark)"
        )


def job_to_json(job: Job) -> dict[str, Any]:
    """As one JSON object.

    >>> job = Job(Train((Pulse(0.5, 2.0),)), Delays(), {"driver": "simulated", "contact": "normally_closed"})
    >>> job_from_json(job_to_json(job)) == job
    True
    """
    pulses = [pulse._asdict() for pulse in job.train.pulses]
    return {
        **job._asdict(),
        "train": {"lead_in_s": job.train.lead_in_s, "pulses": pulses},
        "delays": job.delays._asdict(),
        "relay": dict(job.relay),
        "limits": job.limits._asdict(),
    }


def job_from_json(given: Any) -> Job:
    """Back from :func:`job_to_json`.

    :raises InputError: anything is missing or of the wrong kind.
    """
    try:
        train, delays = given["train"], given["delays"]
        pulses = tuple(Pulse(float(pulse["off_s"]), float(pulse["on_s"])) for pulse in train["pulses"])
        return Job(
            Train(pulses, float(train["lead_in_s"])),
            Delays(_pair(delays["make_s"]), _pair(delays["break_s"])),
            dict(given["relay"]),
            tuple(float(bound) for bound in given["tolerance_s"]),
            given["priority"],
            given["keep"],
            Limits(**{name: float(limit) for name, limit in given.get("limits", {}).items()}),
        )
    except (KeyError, TypeError, ValueError) as error:
        raise InputError(f"player: this is no job ({type(error).__name__}: {error})") from error


def result_to_json(result: PlayResult) -> dict[str, Any]:
    """As one JSON object; :func:`result_from_json` is the way back."""
    log = {**result.log._asdict(), "stamps": [stamp._asdict() for stamp in result.log.stamps]}
    return {**result._asdict(), "log": log}


def result_from_json(given: Any) -> PlayResult:
    """Back from :func:`result_to_json`.

    :raises InputError: anything is missing or of the wrong kind.
    """
    try:
        log = {**given["log"], "stamps": tuple(Stamp(**stamp) for stamp in given["log"]["stamps"])}
        fields = {**given, "beyond": tuple(given["beyond"]), "notes": tuple(given["notes"])}
        return PlayResult(**{**fields, "log": EdgeLog(**log)})
    except (KeyError, TypeError, ValueError) as error:
        raise InputError(f"player: this is no result ({type(error).__name__}: {error})") from error


def _pair(given: Any) -> tuple[float, float]:
    least, greatest = given
    return float(least), float(greatest)
