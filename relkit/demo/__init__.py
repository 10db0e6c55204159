"""A made-up fleet with known truth, written as a repair log."""
