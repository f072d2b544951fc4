"""``python -m sequencer`` is ``lampstep``."""

import sys

from sequencer.cli.main import main

if __name__ == "__main__":
    sys.exit(main())
