package shop_test

import (
	"reflect"
	"testing"

	"nextprobe/internal/faultlib"
	"nextprobe/internal/shop"
)

// The page and REST show a new shop the tree that the command prints: the same
// steps, interlocks and second looks, at the same labour rate.
func TestTreeOfANewShopIsTheCommands(t *testing.T) {
	h := setup(t)
	in := shop.TreeInput{Symptoms: []string{"no_charge_led_green"}, Exposures: []string{"rain", "storage"}}
	got := ok[shop.Tree](t)(h.LibraryTree(h.ctx, h.counter, in))
	lib, issues := faultlib.Load(faultlib.Embedded())
	if lib == nil {
		t.Fatal(issues)
	}
	want := ok[shop.Tree](t)(shop.CompileTree(lib, in, shop.TreeSetting{LabourPerHour: got.LabourPerHour}))
	again := 0
	for i := range want.Steps {
		if want.Steps[i].Again {
			again++
		}
		if i < len(got.Steps) && !reflect.DeepEqual(got.Steps[i], want.Steps[i]) {
			t.Errorf("step %d: the shop has %+v, the command %+v", i+1, got.Steps[i], want.Steps[i])
		}
	}
	if len(got.Steps) != len(want.Steps) || again == 0 || !reflect.DeepEqual(got.Symptoms, want.Symptoms) || len(got.Exposures) != 2 {
		t.Errorf("%d steps and %d, %d of them second looks; %+v, %+v", len(got.Steps), len(want.Steps), again, got.Symptoms, got.Exposures)
	}
}
