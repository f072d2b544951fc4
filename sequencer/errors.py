"""The ways in which a command can end other than well, each with its exit status.

Status 1 ("the honest answer is no") is not here: a refusal is an answer, not an error, and is
returned as a value.
"""

from __future__ import annotations

from collections.abc import Sequence


class LampstepError(Exception):
    """Anything that a command reports in plain words instead of a traceback."""

    exit_status = 2


class InputError(LampstepError):
    """Bad input: a file, an option or a name that does not fit.

    ``problems`` holds one line a problem, each saying what, where and what to do; all that could be
    found are reported at once. Exit status 2.

    >>> str(InputError(["lap-pool: no such scene", "lap-pool: pin 17 used twice"]))
    'lap-pool: no such scene\\nlap-pool: pin 17 used twice'
    """

    exit_status = 2

    def __init__(self, problems: str | Sequence[str]) -> None:
        self.problems: tuple[str, ...] = (problems,) if isinstance(problems, str) else tuple(problems)
        super().__init__("\n".join(self.problems))


class HardwareError(LampstepError):
    """A relay, a pin or a line did not do as told. Exit status 3."""

    exit_status = 3
