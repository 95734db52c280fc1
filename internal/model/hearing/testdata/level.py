# Levels of tones in noise, by scipy: reads lines "rate channels from to window" and then the samples of a window.
import sys
import numpy as np
from scipy import signal

words = sys.stdin.read().split()
while words:
    rate, channels, low, high, n = float(words[0]), int(words[1]), float(words[2]), float(words[3]), int(words[4])
    x = np.array(words[5:5 + n * channels], float).reshape(n, channels) / 32768
    words = words[5 + n * channels:]
    f, p = signal.periodogram(x, rate, window="hann", detrend="constant", scaling="density", axis=0)
    inside = (f >= low - 1e-6) & (f <= high + 1e-6)
    power = p[inside].sum(axis=0).mean() * rate / n
    whole = x.var(axis=0).mean()
    print(10 * np.log10(2 * power), 10 * np.log10(2 * whole))
