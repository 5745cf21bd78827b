DELETE FROM audit.snapshots WHERE snapshot_id IN (SELECT snapshot_id FROM new_snapshot);
INSERT INTO audit.snapshots BY NAME FROM new_snapshot;
