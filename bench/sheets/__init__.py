"""Sheets and plans: TOML in, every fault at once, frozen dataclasses out."""
