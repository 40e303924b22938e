"""The mechanism: engine file, slider-crank, chain and sprockets, valve lift, clearance."""
