"""The answers of all variants, for people and for programs."""
