"""From fits, costs and targets to intervals, due lists and spares."""
