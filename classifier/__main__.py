"""`python -m classifier` is the command `nightcull`."""

from classifier.cli import main

if __name__ == "__main__":
    main()
