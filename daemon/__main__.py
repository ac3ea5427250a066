"""`python -m peakwhite.daemon`: the same as the console script `peakwhite`."""

from .cli import main

if __name__ == "__main__":
    main()
