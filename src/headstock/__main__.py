"""`python -m headstock` is the command line."""

from headstock.cli import main

main()
