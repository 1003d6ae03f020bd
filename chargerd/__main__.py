"""`python -m chargerd`."""

import sys

from chargerd.cli.main import main

sys.exit(main())
