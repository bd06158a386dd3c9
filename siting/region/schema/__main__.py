"""Write the page of fields: `python -m siting.region.schema > siting/region/FIELDS.md`."""

from __future__ import annotations

import sys

from siting.region.schema.page import page

if __name__ == "__main__":
    sys.stdout.write(page())
