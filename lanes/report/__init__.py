"""What every page, picture, table and folder of results is made with."""
