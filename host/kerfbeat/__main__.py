"""How is the program started, from its name or as `python -m kerfbeat`?"""

import sys

__all__ = ["start"]


def start() -> None:
    """Run the command line; a Ctrl-C while it is still being loaded ends it like any other."""
    try:
        from kerfbeat.cli import main

        main(prog_name="kerfbeat")
    except KeyboardInterrupt:
        sys.stderr.write("\nkerfbeat: stopped by Ctrl-C before it began.\n")
        sys.exit(1)


if __name__ == "__main__":
    start()
