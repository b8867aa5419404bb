"""The kit that answers are shown with: a canvas, tables, words for quantities, cautions."""
