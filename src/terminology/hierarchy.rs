//! Who is above whom among the codes of one system, with any number of parents.
//!
//! Every concept has a number, given in the order of a walk down main parents (the deepest of each),
//! so that what is below a concept by main parents is one range of numbers; what it reaches by other
//! parents is kept as a few more ranges. "Is it below" is then a search in a short sorted list,
//! whatever the depth and the size. A graph so tangled that the ranges would fill the memory is
//! searched step by step instead. It does not know codes, only places in a table.
//! Method: R. Agrawal, A. Borgida, H. V. Jagadish, "Efficient management of transitive
//! relationships in large data and knowledge bases", SIGMOD 1989.

use std::collections::{HashSet, VecDeque};

mod bytes;

/// Lists of items, one for each row of a table, in one allocation.
pub(super) struct Rows<T> {
    starts: Box<[u32]>,
    items: Box<[T]>,
}

impl<T> Rows<T> {
    /// From pairs of row and item; the order of the items of a row is kept.
    pub(super) fn new(count: usize, mut pairs: Vec<(u32, T)>) -> Self {
        pairs.sort_by_key(|(row, _)| *row);
        let mut starts = vec![0_u32; count + 1];
        for (row, _) in &pairs {
            if let Some(start) = starts.get_mut(*row as usize + 1) {
                *start += 1;
            }
        }
        let mut sum = 0;
        for start in &mut starts {
            sum += *start;
            *start = sum;
        }
        Self { starts: starts.into(), items: pairs.into_iter().map(|(_, item)| item).collect() }
    }

    /// From the list of each row.
    fn of_lists(lists: Vec<Vec<T>>) -> Self {
        let mut starts = Vec::with_capacity(lists.len() + 1);
        let mut items = Vec::with_capacity(lists.iter().map(Vec::len).sum());
        starts.push(0);
        for list in lists {
            items.extend(list);
            starts.push(u32::try_from(items.len()).unwrap_or(u32::MAX));
        }
        Self { starts: starts.into(), items: items.into() }
    }

    /// The items of a row.
    pub(super) fn get(&self, row: u32) -> &[T] {
        let at = |row: usize| self.starts.get(row).map(|start| *start as usize);
        let (Some(from), Some(to)) = (at(row as usize), at(row as usize + 1)) else { return &[] };
        self.items.get(from..to).unwrap_or_default()
    }
}

/// The places of a table in a directed graph without cycles.
pub(super) struct Hierarchy {
    parents: Rows<u32>,
    children: Rows<u32>,
    /// The number of each place, and the last number below it by main parents.
    ranges: Box<[(u32, u32)]>,
    /// The place of each number.
    places: Box<[u32]>,
    /// Further ranges of numbers below a place: sorted, apart from one another. None where there
    /// are too many of them.
    further: Option<Rows<(u32, u32)>>,
}

/// How many further ranges are kept: 256 MB of them. SNOMED CT has some millions.
const MAX_RANGES: usize = 32_000_000;

/// A place that is above itself.
pub(super) struct Cycle(pub(super) u32);

impl Hierarchy {
    /// From pairs of child and parent, in the order in which children are to be listed.
    ///
    /// # Errors
    /// [`Cycle`] with one place of it.
    pub(super) fn new(count: u32, edges: &[(u32, u32)]) -> Result<Self, Cycle> {
        let size = count as usize;
        let parents = Rows::new(size, unique(edges));
        let down = edges.iter().map(|(child, parent)| (*parent, *child)).collect::<Vec<_>>();
        let children = Rows::new(size, unique(&down));
        let order = parents_first(count, &parents, &children)?;
        let (ranges, places) = number(&order, &parents, &children);
        let further = further(&order, &children, &ranges, MAX_RANGES);
        Ok(Self { parents, children, ranges, places, further })
    }

    /// The places directly above.
    pub(super) fn parents(&self, place: u32) -> &[u32] {
        self.parents.get(place)
    }

    /// The places directly below.
    pub(super) fn children(&self, place: u32) -> &[u32] {
        self.children.get(place)
    }

    /// Whether `place` is `ancestor` or below it.
    pub(super) fn is_a(&self, place: u32, ancestor: u32) -> bool {
        let (Some((number, _)), Some((first, last))) =
            (self.ranges.get(place as usize), self.ranges.get(ancestor as usize))
        else {
            return false;
        };
        if (first..=last).contains(&number) {
            return true;
        }
        let Some(further) = &self.further else { return self.is_reached(place, ancestor) };
        let further = further.get(ancestor);
        let after = further.partition_point(|(first, _)| first <= number);
        let range = after.checked_sub(1).and_then(|at| further.get(at));
        range.is_some_and(|(_, last)| number <= last)
    }

    /// The place and all below it.
    pub(super) fn below(&self, place: u32) -> impl Iterator<Item = u32> {
        let searched = self.further.is_none().then(|| search(place, &self.children));
        let own = self.ranges.get(place as usize).copied().filter(|_| searched.is_none());
        let further = self.further.as_ref().map_or(&[][..], |further| further.get(place));
        let ranges = own.into_iter().chain(further.iter().copied());
        let places = ranges
            .filter_map(|(first, last)| self.places.get(first as usize..=last as usize))
            .flatten();
        places.copied().chain(searched.into_iter().flatten())
    }

    fn is_reached(&self, place: u32, ancestor: u32) -> bool {
        search(place, &self.parents).contains(&ancestor)
    }
}

/// The place and all that is reached from it.
fn search(place: u32, next: &Rows<u32>) -> Vec<u32> {
    let mut seen = HashSet::from([place]);
    let mut found = vec![place];
    let mut at = 0;
    while let Some(from) = found.get(at).copied() {
        found.extend(next.get(from).iter().filter(|place| seen.insert(**place)));
        at += 1;
    }
    found
}

/// Without repeated pairs; the first of them stays.
fn unique(pairs: &[(u32, u32)]) -> Vec<(u32, u32)> {
    let mut at: Vec<usize> = (0..pairs.len()).collect();
    at.sort_by_key(|at| pairs.get(*at));
    at.dedup_by_key(|at| pairs.get(*at));
    at.sort_unstable();
    at.into_iter().filter_map(|at| pairs.get(at).copied()).collect()
}

fn parents_first(count: u32, parents: &Rows<u32>, children: &Rows<u32>) -> Result<Vec<u32>, Cycle> {
    let mut waiting: Vec<usize> = (0..count).map(|place| parents.get(place).len()).collect();
    let mut ready: VecDeque<u32> =
        (0..count).filter(|place| parents.get(*place).is_empty()).collect();
    let mut order = Vec::with_capacity(count as usize);
    while let Some(place) = ready.pop_front() {
        order.push(place);
        for child in children.get(place) {
            if let Some(left) = waiting.get_mut(*child as usize) {
                *left -= 1;
                if *left == 0 {
                    ready.push_back(*child);
                }
            }
        }
    }
    if order.len() == count as usize {
        return Ok(order);
    }
    let stuck = waiting.iter().position(|left| *left > 0).and_then(|at| u32::try_from(at).ok());
    Err(Cycle(stuck.unwrap_or_default()))
}

type Numbered = (Box<[(u32, u32)]>, Box<[u32]>);

/// The parent of each place along which it is numbered: the one that is deepest, since most of what
/// is above the others is above it too.
fn main_parents(order: &[u32], parents: &Rows<u32>) -> Vec<Option<u32>> {
    let mut depths = vec![0_u32; order.len()];
    let mut main = vec![None; order.len()];
    for place in order {
        let depth = |parent: &u32| depths.get(*parent as usize).copied().unwrap_or_default();
        // Of equals, the first.
        let deepest = parents.get(*place).iter().rev().copied().max_by_key(|p| depth(p));
        let below = deepest.map_or(0, |parent| depth(&parent) + 1);
        if let (Some(own), Some(slot)) =
            (depths.get_mut(*place as usize), main.get_mut(*place as usize))
        {
            (*own, *slot) = (below, deepest);
        }
    }
    main
}

/// Numbers along main parents.
fn number(order: &[u32], parents: &Rows<u32>, children: &Rows<u32>) -> Numbered {
    let main = main_parents(order, parents);
    let count = u32::try_from(order.len()).unwrap_or(u32::MAX);
    let mut ranges = vec![(0, 0); count as usize];
    let mut places = Vec::with_capacity(count as usize);
    let mut todo: Vec<Step> =
        (0..count).rev().filter(|p| parents.get(*p).is_empty()).map(Step::Down).collect();
    while let Some(step) = todo.pop() {
        match step {
            Step::Down(place) => {
                let number = u32::try_from(places.len()).unwrap_or(u32::MAX);
                places.push(place);
                if let Some(range) = ranges.get_mut(place as usize) {
                    *range = (number, number);
                }
                todo.push(Step::Up(place));
                let own = children.get(place).iter().rev();
                let own = own.filter(|child| main.get(**child as usize) == Some(&Some(place)));
                todo.extend(own.map(|child| Step::Down(*child)));
            }
            Step::Up(place) => {
                if let Some(range) = ranges.get_mut(place as usize) {
                    range.1 = u32::try_from(places.len()).unwrap_or(u32::MAX) - 1;
                }
            }
        }
    }
    (ranges.into(), places.into())
}

enum Step {
    Down(u32),
    Up(u32),
}

/// What each place reaches outside of its own range, found from below.
fn further(
    order: &[u32],
    children: &Rows<u32>,
    ranges: &[(u32, u32)],
    limit: usize,
) -> Option<Rows<(u32, u32)>> {
    let mut count = 0;
    let mut lists: Vec<Vec<(u32, u32)>> = vec![Vec::new(); ranges.len()];
    for place in order.iter().rev() {
        let Some(own) = ranges.get(*place as usize).copied() else { continue };
        let mut list = Vec::new();
        for child in children.get(*place) {
            let range = ranges.get(*child as usize);
            let below = lists.get(*child as usize).into_iter().flatten();
            list.extend(range.into_iter().chain(below).flat_map(|range| outside(*range, own)));
        }
        if let (false, Some(place)) = (list.is_empty(), lists.get_mut(*place as usize)) {
            *place = joined(list);
            count += place.len();
            if count > limit {
                return None;
            }
        }
    }
    Some(Rows::of_lists(lists))
}

/// What of a range is before and after another.
fn outside(range: (u32, u32), own: (u32, u32)) -> impl Iterator<Item = (u32, u32)> {
    let before = (range.0 < own.0).then(|| (range.0, range.1.min(own.0 - 1)));
    let after = (range.1 > own.1).then(|| (range.0.max(own.1 + 1), range.1));
    before.into_iter().chain(after)
}

fn joined(mut list: Vec<(u32, u32)>) -> Vec<(u32, u32)> {
    list.sort_unstable();
    let mut joined: Vec<(u32, u32)> = Vec::with_capacity(list.len());
    for (first, last) in list {
        match joined.last_mut() {
            Some(range) if first <= range.1.saturating_add(1) => range.1 = range.1.max(last),
            _ => joined.push((first, last)),
        }
    }
    joined
}

#[cfg(test)]
mod tests {
    use std::collections::BTreeSet;

    use super::*;

    /// Compares every pair with a search that follows the edges.
    fn check(count: u32, edges: &[(u32, u32)]) {
        let mut hierarchy = Hierarchy::new(count, edges).ok().unwrap();
        compare(count, edges, &hierarchy);
        hierarchy.further = None;
        compare(count, edges, &hierarchy);
    }

    fn compare(count: u32, edges: &[(u32, u32)], hierarchy: &Hierarchy) {
        for place in 0..count {
            let mut above = BTreeSet::from([place]);
            let mut todo = vec![place];
            while let Some(next) = todo.pop() {
                for (_, parent) in edges.iter().filter(|(child, _)| *child == next) {
                    if above.insert(*parent) {
                        todo.push(*parent);
                    }
                }
            }
            for ancestor in 0..count {
                let expected = above.contains(&ancestor);
                assert_eq!(hierarchy.is_a(place, ancestor), expected, "{place} {ancestor}");
                let below = hierarchy.below(ancestor).filter(|found| *found == place).count();
                assert_eq!(below, usize::from(expected), "{place} below {ancestor}");
            }
        }
    }

    #[test]
    fn trees_and_graphs() {
        check(1, &[]);
        check(3, &[]);
        check(5, &[(1, 0), (2, 1), (3, 1), (4, 0)]);
        check(5, &[(1, 0), (2, 0), (3, 1), (3, 2), (4, 3), (4, 3)]);
        check(6, &[(2, 0), (2, 1), (3, 2), (4, 1), (5, 4), (5, 3)]);
    }

    #[test]
    fn graphs_from_a_generator() {
        let mut state = 7_u32;
        let mut next = |below: u32| {
            state = state.wrapping_mul(1_664_525).wrapping_add(1_013_904_223);
            (state >> 8) % below
        };
        for _ in 0..40 {
            let mut edges = Vec::new();
            for child in 1..60 {
                for _ in 0..next(4) {
                    edges.push((child, next(child)));
                }
            }
            check(60, &edges);
        }
    }

    #[test]
    fn cycles_are_refused() {
        for edges in [&[(0, 0)][..], &[(1, 0), (2, 1), (1, 2)], &[(0, 1), (1, 0)]] {
            assert!(Hierarchy::new(3, edges).is_err());
        }
    }

    #[test]
    fn children_keep_their_order() {
        let hierarchy = Hierarchy::new(4, &[(3, 0), (1, 0), (2, 0)]).ok().unwrap();
        assert_eq!(hierarchy.children(0), [3, 1, 2]);
        assert_eq!(hierarchy.below(0).collect::<Vec<_>>(), [0, 3, 1, 2]);
    }
}
