package diagnosis

import (
	"fmt"
	"slices"
	"strings"
)

// rollBack works out cost and minutes from the leaves up: of a measurement its
// own and the mean of what follows its outcomes.
func rollBack(p *place) {
	if len(p.twigs) == 0 {
		return
	}
	cost, minutes := p.node.StepCost, p.node.StepMinutes
	for _, t := range p.twigs {
		rollBack(t.to)
		cost += t.p * t.to.node.Cost
		minutes += t.p * t.to.node.Minutes
	}
	p.node.Cost, p.node.Minutes = cost, minutes
}

// merger makes one node of equal places.
type merger struct {
	classes map[string]int
	members [][]*place
	branch  [][]TreeBranch // by class, Node being a class
}

// merge joins places with the same decision, the same openings to close and to
// open, and the same subtrees. Numbers do not have to agree: they become means
// by reach.
func merge(root *place) *Tree {
	g := &merger{classes: make(map[string]int)}
	g.classify(root)
	t := &Tree{}
	number := make([]int, len(g.members))
	for k := range number {
		number[k] = -1
	}
	g.lay(t, number, root.class)
	return t
}

// classify sorts a place and all below it into classes, from the leaves up.
func (g *merger) classify(p *place) int {
	var branches []TreeBranch
	for _, t := range p.twigs {
		class := g.classify(t.to)
		k := slices.IndexFunc(branches, func(b TreeBranch) bool { return b.Node == class })
		if k < 0 {
			branches = append(branches, TreeBranch{Node: class})
			k = len(branches) - 1
		}
		branches[k].Levels = append(branches[k].Levels, t.levels...)
	}
	n := &p.node
	var key strings.Builder
	fmt.Fprintf(&key, "%s %q %q %s %s %t %q %q", n.Kind, n.Finding, n.Cause, n.Cut, n.Reason, n.Gate, n.Close, n.Access)
	for _, b := range branches {
		fmt.Fprintf(&key, " %v>%d", b.Levels, b.Node)
	}
	class, ok := g.classes[key.String()]
	if !ok {
		class = len(g.members)
		g.classes[key.String()] = class
		g.members = append(g.members, nil)
		g.branch = append(g.branch, branches)
	}
	g.members[class] = append(g.members[class], p)
	p.class = class
	return class
}

// lay numbers the classes going down and fills the nodes in.
func (g *merger) lay(t *Tree, number []int, class int) int {
	if number[class] >= 0 {
		return number[class]
	}
	at := len(t.Nodes)
	number[class] = at
	t.Nodes = append(t.Nodes, g.node(class))
	branches := slices.Clone(g.branch[class])
	for k := range branches {
		b := &branches[k]
		b.Probability = g.share(class, b.Levels)
		b.Node = g.lay(t, number, b.Node)
	}
	t.Nodes[at].Branches = branches
	return at
}

// node is a class as one node, its numbers being means by reach.
func (g *merger) node(class int) TreeNode {
	members := g.members[class]
	n := members[0].node
	n.Ways = len(members)
	reach := 0.0
	for _, p := range members {
		reach += p.reach
	}
	n.Reach = reach
	if len(members) == 1 || reach == 0 {
		return n
	}
	n.Probability, n.StepCost, n.StepMinutes, n.Cost, n.Minutes = 0, 0, 0, 0, 0
	for _, p := range members {
		w := p.reach / reach
		n.Probability += w * p.node.Probability
		n.StepCost += w * p.node.StepCost
		n.StepMinutes += w * p.node.StepMinutes
		n.Cost += w * p.node.Cost
		n.Minutes += w * p.node.Minutes
		n.Hazard = max(n.Hazard, p.node.Hazard)
	}
	return n
}

// share is the probability of some levels at a class.
func (g *merger) share(class int, levels []int) float64 {
	sum, reach := 0.0, 0.0
	for _, p := range g.members[class] {
		reach += p.reach
		for _, t := range p.twigs {
			if slices.Contains(levels, t.levels[0]) {
				sum += p.reach * t.p
			}
		}
	}
	if reach == 0 {
		return 0
	}
	return sum / reach
}
