"""Sections of a wing element: cut, measured, fitted."""
