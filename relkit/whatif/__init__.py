"""What-ifs: scenarios, fleet simulation, sensitivity, proof by backtest."""
