"""`python -m amptally`: the command."""

import sys

from amptally import main

if __name__ == "__main__":
    sys.exit(main())
