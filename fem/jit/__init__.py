"""How loops are compiled, where they are kept, and the pieces that compiled loops share."""
