"""Run the command line by ``python -m relkit``."""

from __future__ import annotations

from relkit.cli.commands import main

if __name__ == "__main__":
    main()
