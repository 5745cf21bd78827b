"""What things are and what is computed: no orchestration, no storage, no plots, no files, no clock."""
