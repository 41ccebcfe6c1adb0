"""`python -m undersong`."""

from undersong.cli import main

if __name__ == "__main__":
    main()
