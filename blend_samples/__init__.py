"""The demo scenario: an invented car, its wing, and what a hand-held scanner makes of them."""
