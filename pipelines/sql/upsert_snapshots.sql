INSERT OR REPLACE INTO audit.snapshots BY NAME FROM new_snapshot;
