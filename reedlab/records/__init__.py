"""A maker's records: the tables declared once, read, checked, tidied and stored."""
