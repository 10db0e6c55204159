"""The study file: one TOML file that says all that is particular to a fleet."""
