package measure

import "fmt"

func ExampleAlgorithmNames() {
	fmt.Println(AlgorithmNames())
	// Output: [alg_balance_taps alg_bms_latch alg_bridge alg_charge_led alg_hall_sequence alg_harness alg_motor_ident alg_pack_voltage alg_phase_resistance]
}
