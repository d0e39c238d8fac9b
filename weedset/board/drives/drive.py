"""A drive under way: an eye that remembers, so that no plant is treated or counted twice."""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from pathlib import Path

from weedset.board.classify import ClassifiedPhoto
from weedset.board.decide import Rule
from weedset.board.drives.advance import advance, anchored, offered, treated
from weedset.board.drives.drivemap import Advanced, Care, DriveMap, Offer, SeenFrame, off_mm_now
from weedset.board.drives.sightings import kept_clear, sightings
from weedset.board.drives.treatedlog import read_treated, write_treated
from weedset.board.eye import Eye, Frame
from weedset.board.ground import Ground
from weedset.board.motion import Motion, motion_between
from weedset.board.steps import Odometry, Pose
from weedset.board.targets import Mounting
from weedset.errors import DriveError
from weedset.uncertainty import relief_scale_error


@dataclass(frozen=True, slots=True)
class Looked:
    """What became of a frame: its cells, the motion to it, and what it did to the map."""

    photo: ClassifiedPhoto
    motion: Motion | str
    advanced: Advanced


class Drive:
    """One pass over ground that this map has not seen yet, through one camera.

    `treated_file` is where `take` notes what is treated. If it holds plants, the machine was
    restarted, and nothing is offered until `anchor` says where it stands; for new ground name
    another file. Raises DriveError for a file that is no such list.
    """

    def __init__(
        self, eye: Eye, mounting: Mounting, treated_file: Path, care: Care | None = None
    ) -> None:
        self.map: DriveMap = read_treated(treated_file)
        self.care = care or Care(keep_out_mm=eye.guards.keep_out_mm or 0.0)
        self._eye, self._mounting, self._file = eye, mounting, treated_file
        self._rule = Rule(eye.model.card, eye.policy)
        relief = relief_scale_error(eye.profile) if eye.profile.plants.most_mm else None
        self._relief_share = relief
        self._last: Ground | None = None
        #: What may be taken now.
        self.offers: tuple[Offer, ...] = ()

    def see(
        self, frame: Frame, name: str, taken_s: float, odometry: Odometry | None = None
    ) -> Looked:
        """Take a frame into the map; `odometry` as of when it was taken. See `Eye.frame`.

        Raises PhotoError and CameraError; then nothing is offered until the next frame.
        """
        self.offers = ()
        photo, ground = self._eye.frame_and_ground(frame, name, taken_s)
        motion: Motion | str = "no frame to compare with"
        if self._last is not None and photo.fault is None:
            motion = motion_between(self._last, ground, self._mounting)
        seen = SeenFrame(taken_s, (), motion=motion, odometry=odometry, fault=photo.fault)
        if photo.fault is None:
            seen = replace(
                seen,
                sightings=sightings(ground, photo, self._mounting, self._relief_share),
                kept_clear=kept_clear(ground, photo, self._mounting),
            )
        advanced = advance(self.map, seen, self._rule, self.care)
        self.map = advanced.map
        if advanced.used:
            self._last = ground
        self.offers = advanced.offers
        return Looked(photo, motion, advanced)

    def take(self, plant_id: int) -> Offer:
        """Note on the disk that a plant is treated; only then may the tool move.

        From here on it counts as treated whatever happens, and is never offered again.
        Raises DriveError for what the last frame did not offer, or cannot be noted.
        """
        offer = next((offer for offer in self.offers if offer.id == plant_id), None)
        if offer is None:
            what = f"plant {plant_id} is not on offer"
            raise DriveError(what, fix="take only what the last frame offered, each once")
        plant = next(plant for plant in self.map.plants if plant.id == plant_id)
        write_treated(self._file, plant, off_mm_now(plant, self.map) or 0.0, self.map)
        self.map = treated(self.map, plant_id, self.care)
        still = {it.id for it in offered(self.map, self.care)[0]}
        self.offers = tuple(it for it in self.offers if it.id in still)
        return offer

    def anchor(
        self, x_mm: float, y_mm: float, heading_deg: float, off_mm: float, off_deg: float
    ) -> None:
        """Say where in the drive's frame the machine stands, and how sure that is (one sigma).

        After a restart `map.pose` is where it stood when it last took a plant.
        """
        pose = Pose(x_mm, y_mm, math.radians(heading_deg))
        self.map = anchored(self.map, pose, off_mm, off_deg)
        self.offers, self._last = (), None
