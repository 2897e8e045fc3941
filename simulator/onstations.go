package simulator

// OnStations returns the scenario with other stations: the named ones take the parts of
// sc's own stations in turn, those beyond them the same parts again, each a little later.
func (s Scenario) OnStations(names []string) Scenario {
	own := s.Stations
	s.Stations = make([]Station, len(names))
	for i, name := range names {
		s.Stations[i] = Station{Name: name, PhaseS: own[i%len(own)].PhaseS + 0.05*float64(i/len(own))}
	}
	runs := s.Runs
	s.Runs = make([]Run, len(runs))
	for r, run := range runs {
		setups := map[string]string{}
		for i, name := range names {
			if setup := run.Setups[own[i%len(own)].Name]; setup != "" {
				setups[name] = setup
			}
		}
		run.Setups = setups
		s.Runs[r] = run
	}
	return s
}
