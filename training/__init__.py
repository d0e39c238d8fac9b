"""From labelled cells to a small model whose promises hold."""
