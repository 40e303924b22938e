"""What is kept between runs, in the user's data folder."""
