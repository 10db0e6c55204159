"""The whole way for one study."""
