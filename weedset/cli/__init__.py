"""The command line: thin verbs over the library, one file per journey."""

from __future__ import annotations

from weedset.cli.board import add_board_verbs
from weedset.cli.camera import add_camera_verbs
from weedset.cli.contributor import add_contributor_verbs
from weedset.cli.doctor import add_doctor_verb
from weedset.cli.door import make_app
from weedset.cli.gardener import add_gardener_verbs
from weedset.cli.label import add_label_verb
from weedset.cli.plan import add_plan_verb
from weedset.cli.pool import add_pool_verbs
from weedset.cli.quality import add_quality_verb

app = make_app()
add_gardener_verbs(app)
add_label_verb(app)
add_board_verbs(app)
add_contributor_verbs(app)
add_camera_verbs(app)
add_plan_verb(app)
add_quality_verb(app)
add_pool_verbs(app)
add_doctor_verb(app)
