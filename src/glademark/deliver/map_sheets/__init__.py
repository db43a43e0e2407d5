"""Map sheets: a georeferenced PDF to cut by, and its first sheet as a picture."""
