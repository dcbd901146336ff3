"""``python -m strobewise_cli`` is the command ``strobewise``."""

from __future__ import annotations

import sys

from strobewise_cli.main import main

sys.exit(main())
