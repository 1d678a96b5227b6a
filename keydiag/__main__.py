"""`python -m keydiag` is the same as the `keydiag` command."""

import sys

from keydiag.cli import main

sys.exit(main())
