#!/usr/bin/env python3
"""Writes the golden traces of closed forms beside it. Python 3 and its standard library; it
shares nothing with griptrial. `simulator.csv` is not made here: see its head.

Each file says in its head how its signal is made, what is known of its channels, and for each figure
the expected value, with its derivation. A test reads the expected value from there
(analyze/pick/golden_test.go): it must lie within the figure's 95 % interval, and the figure within the
tolerance given, which is what the sampling leaves: an interval, an edge, or the noise.
"""
import math
import pathlib
import random

EDGE = 0.5037  # of the supply, s: between two samples


def write(name, head, columns, rate, to, noise=0.0, seed=1):
    rng = random.Random(seed)
    with open(pathlib.Path(__file__).with_name(name + ".csv"), "w", encoding="utf-8") as f:
        for line in head.strip().splitlines():
            f.write(("# " + line.strip()).rstrip() + "\n")
        f.write("t_s," + ",".join(c for c, _ in columns) + "\n")
        for i in range(int(to * rate) + 1):
            t = i / rate
            row = [f"{t:.4f}"]
            for c, g in columns:
                v = g(t)
                if c == "vacuum_kPa":
                    row.append(f"{v + noise * rng.gauss(0, 1):.3f}")
                else:
                    row.append(f"{v:g}")
            f.write(",".join(row) + "\n")


def on(a, b):
    return lambda t: 1 if a <= t < b else 0


def fall(v, since, tau):
    return v * math.exp(-since / tau)


def exponential(t):
    d = t - EDGE
    if d < 0:
        return 0
    if d < 1.5:
        return 60 * (1 - math.exp(-d / 0.05))
    return fall(60 * (1 - math.exp(-30)), d - 1.5, 0.02)


write("exponential", f"""
An engine whose flow falls linearly with vacuum, on a tight volume: v = 60·(1 − e^(−t/0.05)) kPa from the
supply's edge at {EDGE} s, vented with 20 ms from {EDGE + 1.5:.4f} s on. 200 Hz, noise 0.02 kPa.
set required_kPa 30
set resolution_kPa 0.001
want outcome released
want seal_from supply
want seal_time_s {0.05 * math.log(2):.6f} within 0.003: 60·(1 − e^(−t/τ)) = 30 gives τ·ln 2
want response_delay_s {-0.05 * math.log(1 - 3 / 60):.6f} within 0.003: idle level 0 and band 3 kPa, −τ·ln(1 − 3/60)
want hold_vacuum_kPa 60 within 0.01: the median lies at the middle of the hold, 60·(1 − e^(−15.8))
want lowest_vacuum_kPa {60 * (1 - 0.5 * math.exp(-1)):.4f} within 0.3: it rises, so 50 ms after the seal, 60·(1 − e^(−1)/2); 0.3 is the slope there, 221 kPa/s, times the seal's 1.4 ms
want settling_time_s {0.05 * math.log(60):.5f} within 0.015: within 0.5 kPa of 60 after τ·ln 120, less τ·ln 2
want release_time_s {0.02 * math.log(20):.6f} within 0.003: 60·e^(−t/0.02) = 3 gives 0.02·ln 20
""", [("vacuum_kPa", exponential), ("supply", on(EDGE, EDGE + 1.5))], 200, 3, noise=0.02)


def knee(t):
    d = t - EDGE
    if d < 0:
        return 0
    if d < 0.5:
        return 40 * d
    if d < 3:
        return 20 + 5 * (d - 0.5)
    if d < 6:
        return min(60, 32.5 + 80 * (d - 3))
    return fall(60, d - 6, 0.03)


write("knee", f"""
A bag that seals slowly: 40 kPa/s up to 20 kPa, 5 kPa/s up to 32.5 kPa, then 80 kPa/s up to 60 kPa. Lines only.
Vented from {EDGE + 6:.4f} s on with 30 ms. 100 Hz, noise 0.05 kPa.
set required_kPa 30
set resolution_kPa 0.001
want outcome released
want seal_time_s 2.5 within 0.02: 20 kPa after 0.5 s, the 10 kPa left at 5 kPa/s take 2 s; noise over slope is 10 ms a sample
want hold_vacuum_kPa 60 within 0.03: reached 27.5/80 s after the knee at 3 s, held to 6 s; the samples of the rise draw a median of noisy ones down, here by 0.02
want lowest_vacuum_kPa 30.25 within 0.15: 50 ms after the seal at 5 kPa/s; 0.15 is noise of a median of three and of the seal's instant
want release_time_s {0.03 * math.log(20):.6f} within 0.006: 60·e^(−t/0.03) = 3
""", [("vacuum_kPa", knee), ("supply", on(EDGE, EDGE + 6))], 100, 8, noise=0.05, seed=2)


def dip(t):
    d = t - EDGE
    if d < 0:
        return 0
    if d < 0.1:
        return 600 * d
    if d < 2:
        return 60
    if d < 2.2:  # down by 200 kPa/s to 20
        return 60 - 200 * (d - 2)
    if d < 2.5:
        return 20
    if d < 2.7:
        return 20 + 200 * (d - 2.5)
    if d < 4:
        return 60
    return fall(60, d - 4, 0.02)


write("dip", f"""
A jerk while carried: up to 60 kPa at 600 kPa/s, from 2 to 2.2 s after the supply's edge down to 20 kPa at 200 kPa/s,
for 0.3 s there, back at 200 kPa/s. Released 4 s after the edge with 20 ms. 100 Hz, no noise.
set required_kPa 30
set resolution_kPa 0.001
want outcome released
want events dip re-seal
want re_seals 1
want seal_time_s 0.05 within 0.006: 30 kPa at 600 kPa/s
want below_required_s 0.4 within 0.01: down through 30 kPa after 0.15 s, up again 0.05 s into the way back: 0.05 + 0.3 + 0.05
want hold_vacuum_kPa 60 within 0.02: 3.2 s of the 3.9 s
want lowest_vacuum_kPa 20 within 0.1: held for 0.3 s; above half of the required vacuum, so it is no drop
""", [("vacuum_kPa", dip), ("supply", on(EDGE, EDGE + 4))], 100, 6)


def dropped(t):
    d = t - EDGE
    if d < 0:
        return 0
    if d < 2:
        return 60 * (1 - math.exp(-d / 0.04))
    return fall(60, d - 2, 0.02)


write("drop", f"""
A bag torn off: 60·(1 − e^(−t/0.04)) kPa for 2 s, then gone with 20 ms while the supply stays on for another second.
200 Hz, noise 0.05 kPa.
set required_kPa 30
set resolution_kPa 0.001
want outcome dropped
want events drop
want seal_time_s {0.04 * math.log(2):.6f} within 0.003: 0.04·ln 2
want drop_s {EDGE + 2 + 0.02 * math.log(4):.5f} within 0.003: 60·e^(−t/0.02) = 15, half of the required vacuum, after 0.02·ln 4
want hold_vacuum_kPa 60 within 0.02: ends where it falls below 30 kPa
""", [("vacuum_kPa", dropped), ("supply", on(EDGE, EDGE + 3))], 200, 5, noise=0.05, seed=3)


def shut(t):
    d = t - EDGE
    if d < 0:
        return 0
    if d < 1:
        return 60 * (1 - math.exp(-d / 0.03))
    if d < 6:
        return fall(60, d - 1, 10)
    return fall(60 * math.exp(-0.5), d - 6, 0.02)


write("leak-down", f"""
Held with the supply shut: 60·(1 − e^(−t/0.03)) kPa for 1 s, then a laminar leak out of 0.5 L takes e^(−t/10), released after
5 s of that with 20 ms. 100 Hz, noise 0.02 kPa. A leak of n = 1: Q = V·v/T·60/100 L/min ANR (1 L ANR is 100 kPa·L at 20 °C).
set required_kPa 30
set resolution_kPa 0.001
set volume_L 0.5
set supply_off_holds 1
want outcome released
want seal_time_s {0.03 * math.log(2):.6f} within 0.006: 0.03·ln 2
want hold_vacuum_kPa 60 within 0.02: up to the supply's end
want leak_down_vacuum_kPa {60 * math.exp(-(0.15 + 5) / 2 / 10):.3f} within 0.1: median of 60·e^(−t/10) from 0.15 s to 5 s: its value at 2.575 s
want leak_down_kPa_s {-6 * math.exp(-0.2575):.4f} within 0.03: the median of all pairs' slopes is near that of the middle, −6·e^(−0.2575); the bow of e^(−t/10) over 4.85 s leaves 0.03
want leak_law_n 1 within 0.02: v·T is constant
want leak_at_required_Lmin 0.9 within 0.02: 0.5 L × 30 kPa / 10 s × 0.6
""", [("vacuum_kPa", shut), ("supply", on(EDGE, EDGE + 1)), ("release", on(EDGE + 6, EDGE + 6.3))], 100, 8, noise=0.02, seed=4)


def lagging(t):
    d = t - EDGE
    if d < 0:
        return 0
    tau, lag = 0.2, 0.02
    if d < 3:
        return 60 * (1 - (tau * math.exp(-d / tau) - lag * math.exp(-d / lag)) / (tau - lag))
    return fall(60, d - 3, 0.03)


write("lag", f"""
What a sensor with a first-order lag of 20 ms shows of 60·(1 − e^(−t/0.2)) kPa:
60·(1 − (0.2·e^(−t/0.2) − 0.02·e^(−t/0.02))/0.18) (two first-order elements in a row). 100 Hz, no noise; the lag is stated.
set required_kPa 30
set resolution_kPa 0.001
set lag_s 0.02
want outcome released
want seal_time_s {0.2 * math.log(2):.6f} within 0.004: the vacuum itself meets 30 kPa after 0.2·ln 2; shown it is 0.1597 s
want hold_vacuum_kPa {60 - 60 * 0.2 / 0.18 * math.exp(-(0.1597 + 0.05 + 3) / 2 / 0.2):.4f} within 0.005: its middle lies 1.605 s after the edge, where the lag's own term is gone
""", [("vacuum_kPa", lagging), ("supply", on(EDGE, EDGE + 3))], 100, 5)


def contact(t):
    d = t - EDGE
    if d < 0:
        return 0
    if d < 0.5:
        return 6 * (1 - math.exp(-d / 0.02))
    if d < 3:
        return 60 - 54 * math.exp(-(d - 0.5) / 0.05)
    return fall(60, d - 3, 0.02)


write("open-suction", f"""
The supply comes first: 6 kPa of open suction with 20 ms, the bag touched 0.5 s after the supply, then 60 − 54·e^(−t/0.05) kPa. Released
3 s after the edge with 20 ms. 200 Hz, noise 0.03 kPa; 50 W drawn from the supply's edge to its end, 12 W else.
set required_kPa 30
set resolution_kPa 0.001
want outcome released
want seal_from contact
want contact_s {EDGE + 0.5:.4f} within 0.006: the last sample before the rise
want seal_time_s {0.05 * math.log(54 / 30):.6f} within 0.006: from contact, 54·e^(−t/0.05) = 30
want hold_vacuum_kPa 60 within 0.02: its middle lies 1.2 s after the seal
want release_time_s {0.02 * math.log(20):.6f} within 0.003: 60·e^(−t/0.02) = 3
want energy_J {50 * 3 + 12 * 0.02 * math.log(20):.3f} within 0.3: 50 W for 3 s, then 12 W to the idle band; one trapezoid of 5 ms leaves 38 W × 2.5 ms
want energy_approach_J 25 within 0.4: 50 W for 0.5 s
""", [("vacuum_kPa", contact), ("supply", on(EDGE, EDGE + 3)), ("power_W", lambda t: 50 if EDGE <= t < EDGE + 3 else 12)], 200, 5, noise=0.03, seed=5)
