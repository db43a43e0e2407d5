"""Files for receivers, phones and machine screens: GPX, KML and GeoJSON, all in WGS 84."""
