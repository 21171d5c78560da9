"""What several questions share."""
