"""`python -m align`: the same as the command `align`."""

from .cli.main import main

main()
