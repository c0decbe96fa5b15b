"""Run the command line as ``python -m barrierrank``."""

from __future__ import annotations

import sys

from barrierrank.cli import main

if __name__ == "__main__":
    sys.exit(main())
