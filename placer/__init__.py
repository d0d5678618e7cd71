"""Searches where each layer of an orchestral mock-up should be heard from."""
