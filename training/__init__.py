"""From labelled cells to a small model whose promises hold."""

import weedset as weedset  # first: it keeps onnxruntime from telling its maker of its use
