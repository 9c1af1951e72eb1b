"""Whether lamps are seen past the wing, and the road behind through the mirror."""
