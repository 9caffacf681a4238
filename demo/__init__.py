"""The invented holding: its forms, and how they were made."""
