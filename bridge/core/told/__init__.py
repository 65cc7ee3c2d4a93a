"""What inverters are told and what they report: values, shares, flags by cause."""
