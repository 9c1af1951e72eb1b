"""The viscous second opinion: a lattice Boltzmann run on the graphics card."""
