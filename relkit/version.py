"""The version of relkit, for results that say what made them.

Layer: version. Imports nothing.
"""

__all__ = ["VERSION"]

VERSION = "0.1.0"
