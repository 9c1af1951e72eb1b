"""Triangle geometry that every room of the job stands on."""
