"""Recording to edges, crank wheel and crank clock."""
