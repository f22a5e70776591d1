"""`python -m underlid`."""

from underlid.cli import main

main()
