package compare

import (
	"fmt"
	"math"
	"slices"
	"strings"

	"griptrial/config"
)

// ParseMix reads shares of a trial's bags, each "BAG=70 %", which must add up to 100 %;
// without texts every bag counts alike.
func ParseMix(t *Trial, texts []string) ([]BagShare, error) {
	known := DefaultMix(t)
	if len(texts) == 0 {
		return known, nil
	}
	var names []string
	for _, b := range known {
		names = append(names, b.Bag)
	}
	if names == nil {
		return nil, fmt.Errorf("the trial has no picks of any bag yet")
	}
	var mix []BagShare
	sum := 0.0
	for _, text := range texts {
		i := strings.LastIndex(text, "=")
		if i < 0 {
			return nil, fmt.Errorf(`found %q; want "BAG=SHARE" such as "%s=70 %%"`, text, names[0])
		}
		bag := strings.TrimSpace(text[:i])
		if !slices.Contains(names, bag) {
			return nil, fmt.Errorf("%q is no bag of the trial; want %s", bag, strings.Join(names, ", "))
		}
		if slices.ContainsFunc(mix, func(b BagShare) bool { return b.Bag == bag }) {
			return nil, fmt.Errorf("%q is stated twice", bag)
		}
		share, err := config.Parse(config.Share, strings.TrimSpace(text[i+1:]))
		if err != nil {
			return nil, err
		}
		if !(share > 0 && share <= 1) {
			return nil, fmt.Errorf("found %q; want a share of more than 0 %% and at most 100 %%", text)
		}
		mix = append(mix, BagShare{Bag: bag, Share: share})
		sum += share
	}
	if math.Abs(sum-1) > 1e-6 {
		return nil, fmt.Errorf("shares add up to %s; want 100 %%", fmt.Sprintf("%.6g %%", 100*sum))
	}
	return mix, nil
}
