"""`python -m logger.cli`: the program by the interpreter that runs it, for our own child processes."""

from . import main

main()
