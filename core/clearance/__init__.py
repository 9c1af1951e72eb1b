"""How far each element stays from each named zone of the body."""
