"""What people look at: the terminal answer, the marked-up picture, the strip, the chart and the sheet."""
