"""From a placement to sound: tables of band energies, and exact mixing."""
