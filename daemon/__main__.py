"""`python -P -m daemon`: the same as the console script."""

from daemon.app.cli import main

main()
