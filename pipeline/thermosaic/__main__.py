"""`python -m thermosaic` is the command."""

from .cli.entry import main

if __name__ == "__main__":
    main()
