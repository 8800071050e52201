"""What is done to a unit and what must hold: procedures in Python; plans, unit and aircraft sheets in TOML."""
