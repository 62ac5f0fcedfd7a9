"""Memory map search and check, and the table that compares update procedures."""
