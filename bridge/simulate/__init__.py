"""Models of cells, pack, charger and load, and a virtual world to run the daemon in."""
