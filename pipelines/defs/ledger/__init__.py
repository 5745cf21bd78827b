"""What happened to each cover, vehicle by vehicle."""
