"""One file a kind of chart, each frame -> Chart: how it looks, one sentence, the table behind it."""
