"""The printed card's geometry: every mark's place in millimetres, for drawing it and for finding it.

Frame coordinates: origin at the frame picture's top-left corner, x right, y down, millimetres.
"""
