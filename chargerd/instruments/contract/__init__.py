"""What every instrument must do before it is trusted, whatever it is and however it speaks: checks and their runner."""
