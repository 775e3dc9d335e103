"""``python -m sleepagree``."""

from sleepagree.cli import main

main(prog_name="sleepagree")
