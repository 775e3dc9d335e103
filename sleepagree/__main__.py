"""``python -m sleepagree``, and what the installed script calls.

Nothing else may stand before Ctrl-C is taken over: imports take most of the time until a command begins.
"""

try:
    from sleepagree.cli import interrupts

    interrupts.watch()
except KeyboardInterrupt:
    import os

    os.write(2, b"sleepagree: interrupted.\n")
    os._exit(130)


def main() -> None:
    """Run the command line."""
    from sleepagree.cli.group import main as command

    try:
        command(prog_name="sleepagree")
    except SystemExit as leaving:
        interrupts.end(leaving.code)
        raise


if __name__ == "__main__":
    main()
