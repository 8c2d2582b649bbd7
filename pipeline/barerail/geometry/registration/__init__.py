"""One scanned surface on another: found from nothing, settled, judged, and how well the pose is held."""
