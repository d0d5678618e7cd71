"""Rooms, microphones and the geometry of hearing; knows no music."""
