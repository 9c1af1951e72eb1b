"""Wing elements as parameters, rebuilt from measured sections."""
