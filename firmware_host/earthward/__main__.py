"""`python -m earthward` is the same as the `earthward` command."""

import sys

from earthward.cli import main

if __name__ == "__main__":
    sys.exit(main())
