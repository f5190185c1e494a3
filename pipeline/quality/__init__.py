"""Quality: QARTOD flags beside the samples, one pure function a check. Flags never delete.

1 pass, 2 not evaluated, 3 suspect, 4 fail, 9 missing. For tension, only what cannot be (`gross_range`, with
bounds far outside the sensor's range) and a winch gauge whose brake is open give 4, and only 4 and 9 keep a
sample out of a line's tension (`usable`). Snapped, rendered and parted lines look like faults to spike, rate
and flat line, so those give at most 3 and their samples count in full.

`flag_place` runs all that apply to the channels of one place; `flag_runs` packs the outcome for the store.
"""

from pipeline.quality.codes import brake_open as brake_open
from pipeline.quality.codes import status_code as status_code
from pipeline.quality.flags import CHECKS as CHECKS
from pipeline.quality.flags import FAIL as FAIL
from pipeline.quality.flags import MISSING as MISSING
from pipeline.quality.flags import NOT_EVALUATED as NOT_EVALUATED
from pipeline.quality.flags import PASS as PASS
from pipeline.quality.flags import SUSPECT as SUSPECT
from pipeline.quality.flags import aggregate as aggregate
from pipeline.quality.flags import check_bit as check_bit
from pipeline.quality.flags import check_names as check_names
from pipeline.quality.flags import combine as combine
from pipeline.quality.flags import marked as marked
from pipeline.quality.flags import usable as usable
from pipeline.quality.motion import rate as rate
from pipeline.quality.motion import spike as spike
from pipeline.quality.place import Flagged as Flagged
from pipeline.quality.place import edge_s as edge_s
from pipeline.quality.place import flag_place as flag_place
from pipeline.quality.ranges import clipped as clipped
from pipeline.quality.ranges import gross_range as gross_range
from pipeline.quality.runs import FlagRuns as FlagRuns
from pipeline.quality.runs import flag_runs as flag_runs
from pipeline.quality.runs import spread as spread
from pipeline.quality.still import Series as Series
from pipeline.quality.still import flat_line as flat_line
from pipeline.quality.still import stuck_at_zero as stuck_at_zero
