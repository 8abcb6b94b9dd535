"""Why it trembles or stops: causes with their shares, what shows them, and what helps."""

from codegen.diagnosis.causes import Cause
from codegen.diagnosis.diagnose import Diagnosis, diagnose_log, diagnose_machine
from codegen.diagnosis.estimate import Estimated, estimate_flown
from codegen.diagnosis.shares import Shares, find_shares
from codegen.diagnosis.stop import Stop, find_stop
from codegen.diagnosis.twin import Flown, Twin

__all__ = [
    "Cause",
    "Diagnosis",
    "Estimated",
    "Flown",
    "Shares",
    "Stop",
    "Twin",
    "diagnose_log",
    "diagnose_machine",
    "estimate_flown",
    "find_shares",
    "find_stop",
]
