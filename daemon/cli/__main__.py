"""`python -m daemon.cli`."""

from daemon.cli import main

main()
