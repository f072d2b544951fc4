"""For every test: text is as wide as it likes, whatever the shell that runs the tests says of its terminal."""

from __future__ import annotations

import os

os.environ.pop("COLUMNS", None)
