library(sf)

# The grid cells of this release as a file, and those of the newest one from the map service.
cells <- st_read("{{ base }}cells.geojson", quiet = TRUE)
served <- st_read("OAPIF:{{ ogc }}", layer = "cells", quiet = TRUE)

cat("cells:", nrow(cells), "\n")
cat("cells of the map service:", nrow(served), "\n")
cat("trap-nights:", format(sum(cells$trap_nights), digits = 15), "\n")
plot(cells["trap_nights"])
