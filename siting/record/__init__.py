"""What one record tells about level, growth and season."""
