"""Which cylinder: sealing from starter current and pressure, pulling from the crank's speed."""
