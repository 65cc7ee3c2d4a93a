"""The discharge law of a bank."""
