"""The kit for showing answers: a canvas, tables, words for quantities, cautions."""
