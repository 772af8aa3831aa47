package queue

import (
	"crypto/sha256"
	"errors"
	"fmt"
	"os"
	"path/filepath"
	"slices"

	"halfturn/sweep"
	"halfturn/sweep/journal"
)

// HoldBench holds a bench's instruments, so that no other process drives them
// at the same time; journal.ErrHeld, with who holds them, if one does. The
// locks lie in the user's cache folder and beside the store: the first is seen
// by whoever has the same user, the second by whoever has the same store.
func HoldBench(bench *sweep.Bench, store string) (release func() error, err error) {
	var places []string
	if cache, err := os.UserCacheDir(); err == nil {
		folder := filepath.Join(cache, "halfturn")
		if os.MkdirAll(folder, 0o755) == nil {
			places = append(places, folder+string(filepath.Separator))
		}
	}
	if store != "" {
		if absolute, err := filepath.Abs(store); err == nil {
			if resolved, err := filepath.EvalSymlinks(absolute); err == nil {
				absolute = resolved
			}
			places = append(places, absolute+".")
		}
	}
	addresses := []string{bench.Generator.Address, bench.Scope.Address}
	slices.Sort(addresses) // the same order everywhere, so that two that begin at once do not both fail
	var held []func() error
	release = func() error {
		var errs []error
		for _, r := range slices.Backward(held) {
			errs = append(errs, r())
		}
		return errors.Join(errs...)
	}
	for _, place := range places {
		for _, address := range addresses {
			sum := sha256.Sum256([]byte(address))
			r, err := journal.Hold(fmt.Sprintf("%sinstrument-%x.lock", place, sum[:8]))
			switch {
			case errors.Is(err, journal.ErrHeld):
				return nil, errors.Join(fmt.Errorf("bench %q: the instrument at %s is %w", bench.Name, address, err), release())
			case err != nil:
				return nil, errors.Join(fmt.Errorf("bench %q: the instrument at %s cannot be held: %w", bench.Name, address, err), release())
			}
			held = append(held, r)
		}
	}
	return release, nil
}
