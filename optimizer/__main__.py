"""`python -m optimizer`: the command line, where no command `tenside` lies in the path."""

from optimizer.cli import main

if __name__ == "__main__":
    main()
