"""Where a site's durable files live. Standard library only, and light: the player's log is kept there too."""

from __future__ import annotations

import os
from pathlib import Path

from sequencer.errors import InputError

MAX_FILE_NAME = 80
"""Characters of a file's name: a socket's whole path must fit into 107 bytes (unix(7), sun_path)."""


def file_name(name: str) -> str:
    """A site's or circuit's name as the name of a file; a long one is cut, with a digest of the whole for its end.

    >>> file_name("Quarry Lane lido")
    'Quarry%20Lane%20lido'
    >>> len(file_name("\u00e9" * 60)) <= MAX_FILE_NAME
    True
    """
    from urllib.parse import quote  # noqa: PLC0415 - the player's process does not come here

    whole = quote(name, safe="")
    if len(whole) <= MAX_FILE_NAME:
        return whole
    from hashlib import sha256  # noqa: PLC0415 - few names are so long

    return f"{whole[: MAX_FILE_NAME - 13]}-{sha256(name.encode()).hexdigest()[:12]}"


def site_folder(site: str) -> Path:
    """A site's own folder: under systemd's ``STATE_DIRECTORY``, else under the user's own state.

    :raises InputError: there is neither, nor a home.

    >>> os.environ["STATE_DIRECTORY"] = "/var/lib/lampstep"
    >>> str(site_folder("Quarry Lane lido"))
    '/var/lib/lampstep/Quarry%20Lane%20lido'
    >>> del os.environ["STATE_DIRECTORY"]
    """
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
    return directory / file_name(site)


def journal_path(site: str) -> Path:
    """The file of a site's journal."""
    return site_folder(site) / "journal.sqlite3"


def socket_path(site: str) -> Path:
    """The file through which a site's daemon is asked: under ``/run/lampstep`` where systemd has made that."""
    run = Path(os.environ.get("RUNTIME_DIRECTORY", "").split(":")[0] or "/run/lampstep")
    return run / f"{file_name(site)}.socket" if run.is_dir() else site_folder(site) / "serve.socket"
