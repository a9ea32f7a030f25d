"""`python -m headstock` is the command line."""

from headstock.cli import main

if __name__ == "__main__":  # worker processes read this file too, and must not start again
    main()
