"""Let ``python -m collarvision`` do what the ``collarvision`` command does."""

from collarvision.cli import main

main()
