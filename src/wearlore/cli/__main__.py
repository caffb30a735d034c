"""``python -m wearlore.cli`` is the command."""

from wearlore.cli import main

main()
