"""Run the command line as `python -m rootwright`."""

from rootwright.cli import main

main()
