"""The command line: thin verbs over the library, one file per journey."""

from __future__ import annotations

from weedset.cli.board import add_board_verbs
from weedset.cli.door import make_app
from weedset.cli.gardener import add_gardener_verbs
from weedset.cli.label import add_label_verb

app = make_app()
add_gardener_verbs(app)
add_label_verb(app)
add_board_verbs(app)
