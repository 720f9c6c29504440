package shop

import (
	"context"
	"regexp"

	"nextprobe/internal/faultlib"
	"nextprobe/internal/problem"
)

// What a new shop starts with; the owner changes it on the shop's page. The
// labour rate is 60.00 an hour.
const (
	startCurrency     = "EUR"
	startLabourMinor  = 6000
	startWarrantyDays = 90
)

var slugForm = regexp.MustCompile(`^[a-z0-9]+(-[a-z0-9]+)*$`)

// system is who writes what nobody asked for by hand.
func system(shopID ID) Actor { return Actor{ShopID: shopID, Name: "nextprobe", Role: Owner} }

// Setup makes the shop with the slug, and its first library version from the
// embedded edition, when they are missing. It is safe to repeat.
func (s *Service) Setup(ctx context.Context, slug, name string) (Shop, error) {
	var c checker
	if !slugForm.MatchString(slug) || len(slug) > 63 {
		c.failf("slug", "must be lower-case letters and digits, joined by single hyphens, at most 63")
	}
	name = c.line("name", name, 1, maxName)
	if err := c.err(); err != nil {
		return Shop{}, err
	}
	sh, err := s.store.EnsureShop(ctx, Shop{
		ID: newID(), Slug: slug, Name: name, Currency: startCurrency,
		LabourMinor: startLabourMinor, WarrantyDays: startWarrantyDays, CreatedAt: s.time(),
	})
	if err != nil {
		return Shop{}, err
	}
	_, err = s.store.CurrentLibrary(ctx, sh.ID)
	if problem.Is(err, problem.NotFound) {
		_, _, err = s.saveLibrary(ctx, system(sh.ID), faultlib.Embedded(), "The edition this program came with")
	}
	return sh, err
}

// Shop returns the actor's shop.
func (s *Service) Shop(ctx context.Context, a Actor) (Shop, error) {
	if err := a.may(mayRead); err != nil {
		return Shop{}, err
	}
	return s.store.ShopByID(ctx, a.ShopID)
}

// EditShop sets the shop's name, its labour rate in minor units per hour and
// its warranty time in days.
func (s *Service) EditShop(ctx context.Context, a Actor, name string, labourMinor int64, warrantyDays int) (Shop, error) {
	if err := a.may(mayShop); err != nil {
		return Shop{}, err
	}
	var c checker
	name = c.line("name", name, 1, maxName)
	if labourMinor < 0 || labourMinor > 100_000_000 {
		c.failf("labour_rate", "must be from 0 to 100000000 minor units an hour")
	}
	c.integer("warranty_days", warrantyDays, 0, 3650)
	if err := c.err(); err != nil {
		return Shop{}, err
	}
	sh, err := s.store.ShopByID(ctx, a.ShopID)
	if err != nil {
		return Shop{}, err
	}
	sh.Name, sh.LabourMinor, sh.WarrantyDays = name, labourMinor, warrantyDays
	err = s.store.UpdateShop(ctx, sh, s.audit(a, "shop.edit", "shop", sh.ID,
		map[string]any{"name": name, "labour_minor": labourMinor, "warranty_days": warrantyDays}))
	return sh, err
}
