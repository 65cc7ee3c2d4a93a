"""Random homes: what the laws of charging and discharging must serve, and how well they do.

`kinds` says what differs from row to row, `draw` draws the homes of a row from a seed, `cells`, `chargers`,
`sky` and `sensors` are what they are made of, `oracle` what is possible, `laws` what is tried on them, `run`
lets them live and measures, `asked` holds the figures to what is asked. `python -m tests.homes --help`.
"""
