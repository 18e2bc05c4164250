"""The command `pushpast`, also as `python -m fem`."""

from fem.cli.verbs import main

__all__ = ["main"]

if __name__ == "__main__":
    main()
