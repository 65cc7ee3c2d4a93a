"""The pure part: no clock, no I/O, no globals. Time comes in as a number, frames go out as values."""
