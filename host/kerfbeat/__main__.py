"""How is the program run as `python -m kerfbeat`?"""

from kerfbeat.cli import main

if __name__ == "__main__":
    main(prog_name="kerfbeat")
