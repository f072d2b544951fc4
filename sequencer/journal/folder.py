"""Where a site's durable files live. Standard library only, and light: the player's log is kept there too."""

from __future__ import annotations

import os
from pathlib import Path

from sequencer.errors import InputError


def site_folder(site: str) -> Path:
    """A site's own folder: under systemd's ``STATE_DIRECTORY``, else under the user's own state.

    :raises InputError: there is neither, nor a home.

    >>> os.environ["STATE_DIRECTORY"] = "/var/lib/lampstep"
    >>> str(site_folder("Quarry Lane lido"))
    '/var/lib/lampstep/Quarry%20Lane%20lido'
    >>> del os.environ["STATE_DIRECTORY"]
    """
    from urllib.parse import quote  # noqa: PLC0415 - the player's process does not come here

    systemd = os.environ.get("STATE_DIRECTORY", "").split(":")[0]
    user = os.environ.get("XDG_STATE_HOME")
    try:
        directory = Path(systemd or user or Path.home() / ".local" / "state")
    except RuntimeError as error:  # neither $HOME nor an entry for this user
        raise InputError(
            f"nowhere to keep what the site does ({error}): set XDG_STATE_HOME to a folder"
        ) from error
    if not systemd:
        directory /= "lampstep"
    return directory / quote(site, safe="")


def journal_path(site: str) -> Path:
    """The file of a site's journal."""
    return site_folder(site) / "journal.sqlite3"


def socket_path(site: str) -> Path:
    """The file through which a site's daemon is asked: under ``/run/lampstep`` where systemd has made that."""
    from urllib.parse import quote  # noqa: PLC0415 - as above

    run = Path(os.environ.get("RUNTIME_DIRECTORY", "").split(":")[0] or "/run/lampstep")
    return run / f"{quote(site, safe='')}.socket" if run.is_dir() else site_folder(site) / "serve.socket"
