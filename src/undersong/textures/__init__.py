"""Ways of laying out a verse: figures as table rows, and the candidates they give for each unit."""
