"""Elements together on the car: variants."""
