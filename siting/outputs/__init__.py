"""What people see and keep: files, maps, tables, the terminal."""
