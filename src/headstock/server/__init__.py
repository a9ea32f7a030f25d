"""The HTTP shell over `desk/`: it translates, it decides nothing."""
