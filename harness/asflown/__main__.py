"""`python -m asflown` does what the command `asflown` does."""

import sys

from asflown.cli.main import main

if __name__ == "__main__":
    sys.exit(main())
