"""A file that comes in is held against the same bounds as what is typed into a form."""

import json
import re
from pathlib import Path

from ingest.logbook.plausible import MOST

FORMS = Path(__file__).parents[2] / "dashboard/assets/forms.js"


def test_the_most_that_a_form_takes_is_the_most_that_an_import_takes():
    (table,) = re.findall(r"const MOST = (\{[^}]*\});", FORMS.read_text())
    assert json.loads(re.sub(r"(\w+):", r'"\1":', table)) == MOST
