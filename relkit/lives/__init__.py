"""From jobs, register and meters to one row per life."""
