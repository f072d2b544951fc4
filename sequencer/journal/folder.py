"""Where a site's durable files live. Standard library only, and light: the player's log is kept there too."""

from __future__ import annotations

import os
from pathlib import Path

from sequencer.errors import InputError

FOLDER_MODE, FILE_MODE = 0o750, 0o640
"""At most: for the user and the group, whatever the umask; a stricter umask makes them stricter."""
LONGEST_NAME = 64
"""Of a file's name: a socket's address has 108 bytes (unix(7)), a file's name 255."""


def file_name(name: str) -> str:
    """What a file is called after a site or a circuit: one name for each, never hidden, never another folder.

    >>> file_name("Quarry Lane lido"), file_name(".."), file_name("a/b")
    ('Quarry%20Lane%20lido', '%2E.', 'a%2Fb')
    >>> file_name("lido " * 20)
    'lido%20lido%20lido%20lido%20lido%20lido%20lido%~dbd57b07b8a72046'
    """
    from urllib.parse import quote  # noqa: PLC0415 - the player's process does not come here

    safe = quote(name, safe="")
    if not safe or safe.startswith("."):
        safe = f"%2E{safe[1:]}"
    if len(safe) <= LONGEST_NAME:
        return safe
    from hashlib import sha256  # noqa: PLC0415 - seldom

    digest = sha256(name.encode(errors="surrogatepass")).hexdigest()[:16]
    return f"{safe[: LONGEST_NAME - 1 - len(digest)]}~{digest}"


def make_folder(folder: Path) -> None:
    """Make a folder and those above it that are missing, none of them for others to read.

    :raises OSError: one cannot be made.
    """
    missing = []
    while not os.path.isdir(folder) and folder.parent != folder:  # noqa: PTH112 - raises nothing
        missing.append(folder)
        folder = folder.parent
    for each in reversed(missing):
        each.mkdir(FOLDER_MODE, exist_ok=True)


def shut_to_others(path: Path) -> None:
    """Take from others whatever they may do with a file; nothing happens if that cannot be done."""
    try:
        mode = path.stat().st_mode
        if mode & 0o007:
            path.chmod(mode & 0o7770)
    except OSError:
        pass


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
    is_there = os.path.isdir(run)  # noqa: PTH112 - a folder that may not be looked at raises nothing
    return run / f"{file_name(site)}.socket" if is_there else site_folder(site) / "serve.socket"
