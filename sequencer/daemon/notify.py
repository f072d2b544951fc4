"""What the daemon tells systemd: that it is ready, what the lamps show, that its core loop still turns.

The protocol is sd_notify(3)'s, spoken by the library sdnotify. Without ``NOTIFY_SOCKET`` (a terminal, a test)
nothing is said to anybody.
"""

from __future__ import annotations

import os
from typing import TYPE_CHECKING, Any, Self

if TYPE_CHECKING:
    from collections.abc import Callable, Mapping
    from types import TracebackType


def watchdog_period_s(environ: Mapping[str, str], pid: int) -> float | None:
    """How often the core loop is to call :meth:`Notifier.alive`, in seconds; None: nobody waits for it.

    Half of ``WATCHDOG_USEC``, and only if ``WATCHDOG_PID`` is unset or this process: sd_watchdog_enabled(3)
    recommends every half of the timeout, and says whom it concerns. A ``WATCHDOG_USEC`` that is no positive
    whole number is an error there; here it is as good as none.

    >>> watchdog_period_s({"WATCHDOG_USEC": "30000000", "WATCHDOG_PID": "17"}, pid=17)
    15.0
    """
    usec, whom = environ.get("WATCHDOG_USEC", ""), environ.get("WATCHDOG_PID")
    if not (usec.isascii() and usec.isdigit() and int(usec)) or whom not in (None, str(pid)):
        return None
    return int(usec) / 2e6


def message(*assignments: tuple[str, str]) -> str:
    r"""One datagram for systemd. A value is one line: what would end it becomes a space.

    >>> message(("READY", "1"), ("STATUS", "lap-pool: \n evening"))
    'READY=1\nSTATUS=lap-pool: evening'
    """
    return "\n".join(f"{name}={' '.join(value.split())}" for name, value in assignments)


class Notifier:
    """The way to systemd, from this process's environment; every method is a no-op where there is none.

    A message that does not arrive is not an error, and nothing waits for it: the one who should hear of it is the
    one who does not listen; it is said again with the next one. systemd restarts what it believes dead, and every
    start is prepared for that.
    """

    def __init__(self, log: Callable[[str], None] = lambda _: None) -> None:
        """``log`` hears each status too, for those who watch a terminal."""
        self._log = log
        self.watchdog_period_s = watchdog_period_s(os.environ, os.getpid())
        self._status = ""
        self._systemd: Any = None
        self._unsaid: dict[str, str] = {}
        """What systemd could not take yet."""
        if os.environ.get("NOTIFY_SOCKET"):
            from sdnotify import SystemdNotifier  # noqa: PLC0415 - only a service has anyone to tell

            try:
                self._systemd = SystemdNotifier(debug=True)  # so that it says what did not arrive
            except OSError as error:
                log(f"systemd cannot be told anything: {error.strerror}")
            else:
                self._systemd.socket.setblocking(False)  # the loop waits for nobody

    def ready(self, status: str) -> None:
        """The core loop turns and the inputs are heard; no train need have been sent yet."""
        self._status = status
        self._log(status)
        self._tell(("READY", "1"), ("STATUS", status))

    def status(self, text: str) -> None:
        """What the lamps show, in plain words, for ``systemctl status``; said only when it changed."""
        if text != self._status:
            self._status = text
            self._log(text)
            self._tell(("STATUS", text))

    def alive(self) -> None:
        """From the core loop and nowhere else: a thread of its own would vouch for a loop that hangs."""
        self._tell(("WATCHDOG", "1"))

    def stopping(self, status: str) -> None:
        """The end has begun; ``status`` says what is still waited for."""
        self._status = status
        self._log(status)
        self._tell(("STOPPING", "1"), ("STATUS", status))

    def close(self) -> None:
        """Let the socket go; from then on nothing is said."""
        systemd, self._systemd = self._systemd, None
        if systemd is not None and systemd.socket is not None:
            systemd.socket.close()

    def __enter__(self) -> Self:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self.close()

    def _tell(self, *assignments: tuple[str, str]) -> None:
        if self._systemd is None:
            return
        whole = {**self._unsaid, **dict(assignments)}
        try:
            # sdnotify 0.3.2 encodes as Latin-1, systemd wants UTF-8: hand it letters that become those bytes.
            self._systemd.notify(message(*whole.items()).encode().decode("latin-1"))
        except OSError:  # it is busy, or away: all but the sign of life is said the next time
            whole.pop("WATCHDOG", None)
            self._unsaid = whole
        else:
            self._unsaid = {}
