package demo

import (
	"context"
	"fmt"
	"math"
	"time"

	"nextprobe/internal/shop"
)

// Connector families of the demo: Larch-60 is the one to stop buying.
const (
	badFamily  = "Larch-60"
	goodFamily = "Larch-90"
	hallFamily = "Heron-6"
)

// models are the demo's invented board types.
var models = []struct {
	make, model, controller string
	series, parallel        int
	plug                    string
}{
	{"Fennmark", "Otterling 18", "FM-three-phase C1", 18, 2, "internal"},
	{"Fennmark", "Otterling 20", "FM-three-phase C2", 20, 2, "internal"},
	{"Brindlecraft", "Mossback", "BC drive 7", 20, 3, "external"},
	{"Ostrelle", "Pebble", "OS wheel unit", 15, 2, "internal"},
}

var firstNames = []string{"Anwen", "Bertil", "Ciska", "Davor", "Elowen", "Fintan", "Greet", "Hanneke", "Ivo", "Jorunn", "Kasimir", "Liesl", "Maelis", "Nuno", "Oona", "Petra", "Quirin", "Rosalba", "Sander", "Tamsin"}
var lastNames = []string{"Bramblewick", "Copperfen", "Dunmarrow", "Elderspoon", "Fogarell", "Gladwhistle", "Hazelbrook", "Inkpenny", "Juniperell", "Kettleby"}

// articles are the demo's parts; component is a library component.
var articles = []struct {
	number, name, component, supplier string
	cost                              int64
	min, stock                        int
	lots                              []string
}{
	{"CN-L60", "Power connector pair Larch-60", "interbox_connector", "Tidewater Components", 780, 4, 40, []string{"L60-A", "L60-B"}},
	{"CN-L90", "Power connector pair Larch-90", "interbox_connector", "Hollow Oak Supply", 1290, 4, 30, []string{"L90-A"}},
	{"CN-PH4", "Phase contact set, 4 mm", "phase_connector", "Hollow Oak Supply", 420, 6, 60, []string{"PH4-1", "PH4-2"}},
	{"CN-H6", "Hall connector pair Heron-6", "hall_connector", "Hollow Oak Supply", 350, 5, 40, []string{"H6-1"}},
	{"SK-FOAM", "Seal kit, foam strip", "gasket", "Tidewater Components", 540, 5, 40, []string{"F-11"}},
	{"SK-CORD", "Seal kit, silicone cord", "gasket", "Hollow Oak Supply", 960, 5, 60, []string{"C-21", "C-22"}},
	{"GL-2H", "Cable gland, two-hole insert", "cable_gland", "Hollow Oak Supply", 310, 5, 50, []string{"G-7"}},
	{"BR-PAIR", "Wheel bearing pair with seals", "motor_bearings", "Roundhouse Bearings", 1850, 3, 40, []string{"B-3", "B-4"}},
	{"TY-11", "Tyre 11 inch", "tyre", "Roundhouse Bearings", 3900, 3, 40, []string{"T-26"}},
	{"HL-SET", "Hall sensor set", "hall_sensors", "Hollow Oak Supply", 640, 3, 30, []string{"HS-1"}},
	{"PT-PORT", "Charge port with cap", "charge_port", "Tidewater Components", 690, 4, 40, []string{"P-9"}},
	{"DI-CHG", "Charge diode, heat-sunk", "charge_diode", "Hollow Oak Supply", 280, 4, 40, []string{"D-5"}},
	{"BM-20", "Battery management board", "bms", "Hollow Oak Supply", 7400, 2, 20, []string{"BMS-2"}},
	{"CT-MOD", "Controller module", "power_bridge", "Fennmark spares", 18900, 1, 15, []string{"CM-1"}},
	{"FS-PAD", "Foot sensor, two zones", "foot_sensor", "Fennmark spares", 2600, 2, 25, []string{"FS-4"}},
	{"MISC", "Small parts and consumables", "", "Hollow Oak Supply", 150, 20, 900, []string{"M"}},
}

func (f *filler) stock(ctx context.Context) error {
	for _, a := range articles {
		p, err := f.svc.AddPart(ctx, f.owner, shop.PartInput{
			Number: a.number, Name: a.name, Component: a.component, Supplier: a.supplier,
			UnitCostMinor: ptr(a.cost), Currency: "EUR", MinStock: a.min, Stock: a.stock, Lot: a.lots[0],
		})
		if err != nil {
			return fmt.Errorf("part %s: %w", a.number, err)
		}
		f.parts[a.number] = p
	}
	return nil
}

// fleet registers sixty boards over the first fourteen months: a shop gains
// customers, it does not begin with all of them.
func (f *filler) fleet(ctx context.Context) error {
	const count = 60
	span := f.start.AddDate(0, 14, 0).Sub(f.start)
	for i := range count {
		m := models[f.rng.IntN(len(models))]
		since := f.start.Add(time.Duration(float64(span) * float64(i) / count)).Truncate(time.Minute)
		f.clock.set(since)
		owner := fmt.Sprintf("%s %s", firstNames[i%len(firstNames)], lastNames[(i*7+i/len(firstNames))%len(lastNames)])
		b := &board{km: math.Round(100 + f.rng.Float64()*1500), kmPerDay: 2 + f.rng.Float64()*9}
		in := shop.BoardInput{
			Serial: fmt.Sprintf("%s-%04d", []string{"FO", "FT", "BM", "OP"}[indexOf(m.model)], 1000+i*37),
			Make:   m.make, Model: m.model, SeriesCells: ptr(m.series), ParallelCells: ptr(m.parallel),
			Chemistry: "layered_oxide", Controller: m.controller, Firmware: pick(f.rng, []string{"2.1", "2.3", "3.0"}),
			OdometerKM: ptr(b.km), Facts: map[string]string{"motor_plug": m.plug},
			Owner: &shop.OwnerInput{Name: owner, Contact: fmt.Sprintf("+00 555 01%02d", i)},
		}
		got, err := f.svc.AddBoard(ctx, f.counter, in)
		if err != nil {
			return fmt.Errorf("board %s: %w", in.Serial, err)
		}
		b.Board, b.busyUntil = got, since
		if err := f.register(ctx, b, i, since); err != nil {
			return err
		}
		f.boards = append(f.boards, b)
		f.sum.Boards++
	}
	return nil
}

func indexOf(model string) int {
	for i, m := range models {
		if m.model == model {
			return i
		}
	}
	return 0
}

// register writes the board's connectors: half the boards carry the bad family.
func (f *filler) register(ctx context.Context, b *board, i int, since time.Time) error {
	family := goodFamily
	if i%2 == 0 {
		family = badFamily
	}
	polarity := "as_marked"
	if f.rng.Float64() < 0.15 {
		polarity = "reversed"
	}
	var err error
	add := func(in shop.ConnectorInput) *shop.Connector {
		if err != nil {
			return nil
		}
		var c shop.Connector
		in.FittedAt = &since
		c, err = f.svc.AddConnector(ctx, f.bench, b.ID, in)
		return &c
	}
	b.interbox = add(shop.ConnectorInput{Place: "between the boxes, under the deck", Component: "interbox_connector", Family: family, Poles: ptr(2), Polarity: polarity, Sealing: "none",
		PinMap: map[string]string{"1": "red, pack plus", "2": "black, pack minus"}})
	b.phase = add(shop.ConnectorInput{Place: "motor cable, phases", Component: "phase_connector", Family: "4 mm bullet", Poles: ptr(3), Polarity: "unknown", Sealing: "sleeve",
		PinMap: map[string]string{"A": "yellow", "B": "green", "C": "blue"}})
	b.hall = add(shop.ConnectorInput{Place: "motor cable, sensors", Component: "hall_connector", Family: hallFamily, Poles: ptr(6), Polarity: "as_marked", Sealing: pick(f.rng, []string{"none", "sleeve"})})
	return err
}
