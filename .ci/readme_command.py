"""Print the README's first or second command, so that CI runs the text that people read."""

from __future__ import annotations

import re
import sys
from pathlib import Path


def readme_command(number: int) -> str:
    """Return command ``number`` (1 or 2): the n-th block of the README marked as bash."""
    text = (Path(__file__).parent.parent / "README.md").read_text(encoding="utf-8")
    blocks = re.findall(r"^```bash\n(.+?)\n```$", text, flags=re.MULTILINE | re.DOTALL)
    return blocks[number - 1].strip()


if __name__ == "__main__":
    print(readme_command(int(sys.argv[1])))
