"""The graph, a folder a layer: thin assets, with their checks beside them."""
