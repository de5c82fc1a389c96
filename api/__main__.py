"""`python -m api` is `heatledger`."""

import sys

from api.commands import main

if __name__ == "__main__":
    sys.exit(main())
