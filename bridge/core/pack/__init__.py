"""The pack as it is known now: readings, their ages, and whether they can be believed."""
