import geopandas as gpd

# The grid cells of this release as a file, and those of the newest one from the map service.
cells = gpd.read_file("{{ base }}cells.geojson")
served = gpd.read_file("OAPIF:{{ ogc }}", layer="cells")

print("cells:", len(cells))
print("cells of the map service:", len(served))
print("trap-nights:", cells["trap_nights"].sum())
