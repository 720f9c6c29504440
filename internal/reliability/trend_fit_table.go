package reliability

// cvmTable holds critical values of the Cramér–von Mises statistic of a power law at
// the levels of cvmLevels, by the number of events. They come from a simulation of
// 1 000 000 processes a row (300 000 from 30 events on); the table printed in
// MIL-HDBK-189 (1981), which rests on 15 000, agrees to some units of the last digit.
var cvmTable = []struct {
	events   int
	critical [5]float64
}{
	{2, [5]float64{.137, .149, .161, .175, .186}},
	{3, [5]float64{.120, .135, .154, .183, .230}},
	{4, [5]float64{.121, .134, .154, .191, .279}},
	{5, [5]float64{.121, .137, .159, .199, .297}},
	{6, [5]float64{.123, .139, .162, .203, .309}},
	{7, [5]float64{.123, .140, .164, .207, .314}},
	{8, [5]float64{.124, .141, .166, .209, .318}},
	{9, [5]float64{.125, .142, .167, .211, .321}},
	{10, [5]float64{.125, .142, .168, .212, .324}},
	{11, [5]float64{.126, .143, .168, .213, .324}},
	{12, [5]float64{.126, .143, .169, .214, .326}},
	{13, [5]float64{.126, .144, .169, .215, .328}},
	{14, [5]float64{.127, .144, .170, .215, .328}},
	{15, [5]float64{.127, .144, .170, .215, .329}},
	{16, [5]float64{.127, .145, .170, .216, .329}},
	{17, [5]float64{.127, .145, .170, .216, .331}},
	{18, [5]float64{.127, .145, .171, .216, .330}},
	{19, [5]float64{.127, .145, .171, .217, .332}},
	{20, [5]float64{.127, .145, .171, .217, .331}},
	{30, [5]float64{.128, .146, .172, .219, .335}},
	{60, [5]float64{.129, .147, .173, .219, .337}},
	{100, [5]float64{.129, .147, .174, .221, .338}},
}
