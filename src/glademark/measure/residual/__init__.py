"""The stand that stays: structure, reasons, neighbours, young growth and retained trees."""
