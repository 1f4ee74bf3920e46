"""``python -m stackkit.schemas run``: prints the JSON Schema of a record."""

from __future__ import annotations

import json
import sys

from stackkit.schemas.comparison import ComparisonRecord
from stackkit.schemas.fields import schema_of
from stackkit.schemas.inspection import InspectionRecord
from stackkit.schemas.plan import PlanRecord
from stackkit.schemas.run import RunRecord

RECORDS = {
    "run": RunRecord,
    "compare": ComparisonRecord,
    "inspect": InspectionRecord,
    "plan": PlanRecord,
}

if __name__ == "__main__":
    if sys.argv[1:2] not in [[name] for name in RECORDS]:
        sys.exit(f"Name the record whose schema you want: {', '.join(RECORDS)}.")
    # In one piece: whoever reads the beginning only breaks no pipe.
    print(json.dumps(schema_of(RECORDS[sys.argv[1]]), ensure_ascii=False, indent=1))
