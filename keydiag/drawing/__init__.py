"""Both sides of the half as pictures.

`geometry`, `leads`, `places` and `parts` say where everything lies, in millimetres; `style`, `pen`,
`marks` and `callouts` draw; `picture` is the half or a piece of it as SVG; `wiring_map`, `pdf` and
`bill` are the map to solder by and what it takes.
"""

from keydiag.drawing.picture import face_point, locate, svg, zoom_svg

__all__ = ["face_point", "locate", "svg", "zoom_svg"]
