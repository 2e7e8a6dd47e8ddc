"""From counts to torque, blows and climb: arrays in, results out."""
