-- one row a setup spell: its pulls of the quarter and what happened in them
-- where the rail is not logged, a dropout with the mixture going lean at full load counts as one that collapsed
select
    spell,
    count(distinct log) as logs,
    count(*) as pulls,
    count(distinct date) as days,
    sum(dropouts) as dropouts,
    sum(dropouts_collapsing) as dropouts_collapsing,
    count(*) filter (
        where dropouts_collapsing > 0 or (rail_deficits is null and dropouts > 0 and lean_s >= (select lean_s_min from rule))
    ) as pulls_collapsing,
    sum(rail_deficits) as rail_deficits,
    count(rail_deficits) as pulls_with_rail,
    max(lean_s) as lean_s
from pulls
where in_quarter
group by spell
order by spell
