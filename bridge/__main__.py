"""`python -m bridge` is `ampweir`."""

from bridge.cli import main

main()
