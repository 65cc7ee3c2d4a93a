"""What holds for all tests."""

import os

from hypothesis import HealthCheck, settings

# How long an example takes says more of the machine than of the program; tests/bench is about times.
settings.register_profile("ampweir", deadline=None, suppress_health_check=[HealthCheck.too_slow])
settings.load_profile(os.environ.get("AMPWEIR_EXAMPLES", "ampweir"))
