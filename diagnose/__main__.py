"""`python -m diagnose` is the command `diagnose`."""

import sys

from diagnose.cli import main

sys.exit(main())
