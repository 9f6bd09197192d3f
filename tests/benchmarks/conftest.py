"""Where do the tests of the benchmarks find them?"""

import sys
from pathlib import Path

sys.path.insert(0, str(Path(__file__).parent))  # the benchmarks are run by their path, not installed
