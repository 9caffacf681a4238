"""What people look at: charts, tables, ring marks, the pack."""
