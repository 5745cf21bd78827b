"""What people see; reads only a published snapshot."""
