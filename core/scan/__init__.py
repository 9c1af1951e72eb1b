"""The scan: taken in, cleaned, mirrored, brought into vehicle axes."""
