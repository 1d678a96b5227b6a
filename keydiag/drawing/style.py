"""The colours of the pictures.

Those of lines and marks are from Okabe and Ito's set for colour-blind readers ("Color Universal
Design", 2008; from memory). No meaning hangs on a colour alone: rows are solid and columns dashed,
the cathode band is dark, marks are ringed and named.
"""

ROW = "#D55E00"  # vermillion
COLUMN = "#0072B2"  # blue
MARK = "#F0E442"  # yellow
INK = "#1a1a1a"
PAPER = "#ffffff"
CAP, CAP_EDGE = "#f4f1ea", "#d9d3c5"
BODY, BODY_EDGE = "#e6e1d5", "#bdb5a3"
GLASS, GLASS_EDGE, LEG = "#f3d3a6", "#6b5534", "#6e6e6e"
SOLDER = "#d5dae0"
CHIP, CHIP_EDGE, PAD = "#e9efe9", "#5c6b5c", "#e8c547"
