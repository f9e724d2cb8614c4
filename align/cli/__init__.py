"""The command line: each command is a thin shell over one function that a notebook can call."""
