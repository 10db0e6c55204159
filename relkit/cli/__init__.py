"""The relkit command."""
