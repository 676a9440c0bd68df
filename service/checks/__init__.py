"""What somebody measured or did by hand: cores, thermometers in melting ice."""
