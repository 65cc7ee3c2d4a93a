"""The four limits: the tightest of all that bounds them."""
