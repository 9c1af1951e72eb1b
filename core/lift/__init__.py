"""Which way each element pushes, how much, and how sure that is."""
