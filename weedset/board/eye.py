"""A model behind a camera: photos and frames in, guarded decisions out."""

from __future__ import annotations

from dataclasses import dataclass, field, replace
from pathlib import Path
from time import perf_counter

import numpy as np
from numpy.typing import NDArray
from PIL import Image

from weedset.board.classify import ClassifiedPhoto, classify_image, least_share
from weedset.board.clock import now_s
from weedset.board.decide import TREAT_NOTHING, read_policy
from weedset.board.gate import Gate
from weedset.board.ground import Ground, ground_of
from weedset.board.guards import Guards, guarded, left_alone, look_at, stale
from weedset.board.model import BoardModel, open_model
from weedset.digests import bytes_digest
from weedset.errors import PhotoError
from weedset.images import OpenedPhoto, decode_photo, open_photo
from weedset.profile import read_camera_profile
from weedset.records import CameraProfile, ExifFacts, Policy

#: A frame: the bytes of a photo file, or RGB pixels (height, width, 3).
Frame = bytes | NDArray[np.uint8]


def open_eye(
    model: Path,
    camera: Path,
    policy: Path | None = None,
    *,
    gate: Gate | None = None,
    guards: Guards | None = None,
    threads: int = 1,
) -> Eye:
    """Open a model file, a camera profile and a policy; without a policy nothing is treated.

    Raises ModelError, CameraError or PolicyError, naming file and field, and
    MissingPartError where this computer cannot run models.
    """
    opened = open_model(model, threads)
    profile = read_camera_profile(camera)
    rule = read_policy(policy, opened.card.codes) if policy else TREAT_NOTHING
    return Eye(opened, profile, rule, gate, guards or Guards())


@dataclass
class Eye:
    """A model, the camera it looks through, what the garden wants, and how careful to be.

    It remembers size and turn of the first frame and the digest of the last, and nothing else.
    """

    model: BoardModel
    profile: CameraProfile
    policy: Policy = TREAT_NOTHING
    gate: Gate | None = None
    guards: Guards = field(default_factory=Guards)
    _size_px: tuple[int, int] | None = field(default=None, init=False)
    _turn: int | None = field(default=None, init=False)
    _last_digest: str | None = field(default=None, init=False)

    def photo(self, path: Path) -> ClassifiedPhoto:
        """Decide on a photo as such, however old. Raises as `classify_photo`."""
        start = perf_counter()
        share = least_share(self.model.card, self.profile, str(path))
        opened = open_photo(path, least_share=share)
        return self._decided(opened, str(path), start)

    def frame(self, frame: Frame, name: str, taken_s: float) -> ClassifiedPhoto:
        """Decide on a frame of a running camera; `name` is for reports and errors.

        `taken_s` is when it was taken, by `weedset.board.clock.now_s`. All is left alone where
        it is stale by the time it is decided on, is the very frame that came before (a stuck
        camera), or has another size than the first one, for which the profile may not hold,
        or another EXIF orientation, by which its upright picture lies otherwise on the machine.
        Raises PhotoError for what is no picture, CameraError for a scale that is not known.
        """
        start = perf_counter()
        return self._fresh(self._opened(frame, name), name, taken_s, start)

    def frame_and_ground(
        self, frame: Frame, name: str, taken_s: float
    ) -> tuple[ClassifiedPhoto, Ground]:
        """Decide on a frame as `frame` does, and return the ground it shows as well."""
        start = perf_counter()
        opened = self._opened(frame, name)
        photo = self._fresh(opened, name, taken_s, start)
        return photo, ground_of(opened.image, photo)

    def _fresh(
        self, opened: OpenedPhoto, name: str, taken_s: float, start: float
    ) -> ClassifiedPhoto:
        seen = self._decided(opened, name, start)
        size_px = (seen.width_px, seen.height_px)
        first, before = self._size_px or size_px, self._last_digest
        self._size_px, self._last_digest = first, seen.digest
        if size_px != first:
            sizes = "{} x {} px, but the first was {} x {}".format(*size_px, *first)
            return left_alone(seen, f"the frame's size changed: it is {sizes}")
        turn, self._turn = opened.exif.orientation, self._turn or opened.exif.orientation
        if turn != self._turn:
            turns = f"EXIF orientation is {turn}, but the first was {self._turn}"
            return left_alone(seen, f"the camera's picture turned: {turns}")
        if seen.digest == before:
            return left_alone(seen, "stale: the very frame that came before")
        late = stale((now_s() - taken_s) * 1000, self.guards)
        return left_alone(seen, late) if late else seen

    def _opened(self, frame: Frame, name: str) -> OpenedPhoto:
        if isinstance(frame, bytes):
            share = least_share(self.model.card, self.profile, name)
            return decode_photo(frame, name, least_share=share)
        if frame.dtype != np.uint8 or frame.ndim != 3 or frame.shape[2] != 3 or not frame.size:
            what = f"is an array of {frame.dtype} {frame.shape}"
            fix = "give uint8 (height, width, 3), red first"
            raise PhotoError(what, where=name, fix=fix)
        pixels = np.ascontiguousarray(frame)
        digest = bytes_digest(pixels.data)
        height_px, width_px = pixels.shape[:2]
        return OpenedPhoto(Image.fromarray(pixels), width_px, height_px, ExifFacts(), digest)

    def _decided(self, opened: OpenedPhoto, where: str, start: float) -> ClassifiedPhoto:
        decoded = perf_counter()
        seen = classify_image(
            self.model,
            opened,
            self.profile,
            self.policy,
            where,
            gate=self.gate,
            keep_out_mm=self.guards.keep_out_mm,
        )
        asked = perf_counter()
        safe = guarded(seen, look_at(opened.image), self.guards)
        timings_ms = {
            "decode": (decoded - start) * 1000,
            **seen.timings_ms,
            "guard": (perf_counter() - asked) * 1000,
        }
        return replace(safe, timings_ms=timings_ms)
