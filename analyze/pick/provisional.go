package pick

// Provisional returns the picks that have sealed, or ended, and are not final yet: what is
// known of them so far, other figures not had. They change nothing of what becomes final.
func (k *Tracker) Provisional() (picks []Pick) {
	was := k.set.Explain
	k.set.Explain = nil // no budgets are kept of what is not final
	for _, p := range append(k.closing[:len(k.closing):len(k.closing)], k.now) {
		if p == nil || p == k.now && p.phase != holding && p.phase != lost && !p.letGo {
			continue
		}
		c := *p
		k.figures(&c)
		if p == k.now {
			c.Outcome = Open
		}
		picks = append(picks, c.Pick)
	}
	k.set.Explain = was
	return picks
}
