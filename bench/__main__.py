"""`python -m bench` is `boxproof`."""

from bench.cli import main

if __name__ == "__main__":
    main()
