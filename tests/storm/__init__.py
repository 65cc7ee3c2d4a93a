"""A storm: every fault at once, drawn from one number, and an observer that shares nothing with the program."""
